"""The charts, and the way from a drawing to text that a page can hold."""
