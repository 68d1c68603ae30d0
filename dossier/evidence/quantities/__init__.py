"""One function a quantity, each with its declaration."""
