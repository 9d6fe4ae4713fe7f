"""Wire and radio frames -> the mask between them."""
