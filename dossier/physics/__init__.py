"""Pure functions of numbers: SI inside, no files, no classes of ours."""
