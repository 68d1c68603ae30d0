"""Many cases at once, on this machine or on a cluster."""
