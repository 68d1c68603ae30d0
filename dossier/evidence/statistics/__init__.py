"""Standard uncertainties, specimens, populations: numbers and what is known of them."""
