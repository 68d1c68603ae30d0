"""From pages to a PDF/A-3a: layout, marks, fields and stamps."""
