"""An instrument description -> decoders and program for the added board."""
