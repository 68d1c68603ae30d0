"""Verification: whether a dossier says what its attachments give, and who stands for it."""
