"""Records reduced to results, and how well their instruments know them."""
