"""Tables as laboratories deliver them, cell by cell."""
