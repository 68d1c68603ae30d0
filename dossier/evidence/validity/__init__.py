"""Rules of validity: whether each test was run as its standard asks, and speaks for the machine."""
