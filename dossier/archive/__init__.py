"""What keeps a decision defensible: digests, manifest, sign-off."""
