"""What a house brings, checked: words, a logo, a colour and fonts of its own."""
