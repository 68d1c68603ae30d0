"""From estimates to findings: rules, overall decision, cautions."""
