"""A pretend instrument with known truth: pads, captures, radio frames, display. The solver never imports this."""
