"""The start of a case: questions, commented files, and their schemas."""
