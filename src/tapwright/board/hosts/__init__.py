"""The few lines of C between an emitted decoder and qemu's user mode."""
