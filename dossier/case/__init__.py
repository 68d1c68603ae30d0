"""Reading: files in, a validated case with units and digests out."""
