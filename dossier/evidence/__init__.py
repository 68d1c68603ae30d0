"""From records to estimates: validity, quantities, uncertainty."""
