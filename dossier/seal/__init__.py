"""The act of sealing, and identities to try it with."""
