"""What laboratories are asked: tests, specimens, points and sheets, from the requirements."""
