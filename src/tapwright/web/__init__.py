"""The pages: readout, overlay, workbench."""
