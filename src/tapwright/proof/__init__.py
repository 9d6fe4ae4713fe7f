"""Other captures and their labels -> a verdict and the coverage."""
