"""decision.json, manifest and sign-offs; the form of a dossier file, and opening one."""
