// A UART transmitter, written for the tests: bytes from a file, least significant bit first, idle high.
`timescale 1ns / 1ns
module uart_sender;
    parameter BYTES = 1;
    parameter BIT_NS = 208333;      // 4800 baud
    parameter GAP_NS = 300000000;   // between sentences
    reg [7:0] data [0:BYTES - 1];
    reg tx = 1;
    reg busy = 0;
    integer i, k;

    initial begin
        $readmemh("bytes.hex", data);
        $dumpfile("line.vcd");
        $dumpvars(0, uart_sender.tx, uart_sender.busy);
        #(GAP_NS / 3);
        for (i = 0; i < BYTES; i = i + 1) begin
            busy = 1;
            tx = 0;
            #(BIT_NS);
            for (k = 0; k < 8; k = k + 1) begin
                tx = data[i][k];
                #(BIT_NS);
            end
            tx = 1;
            #(BIT_NS);
            if (data[i] == 8'h0A) begin
                busy = 0;
                #(GAP_NS);
            end
        end
        $finish;
    end
endmodule
