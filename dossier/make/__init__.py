"""From a case folder to a dossier: read, decide, compose, write."""
