"""From an assessment to pages: content, charts, rendering."""
