"""What the pages say, section by section, as formatted text."""
