"""Many dossiers: the register of a folder, what it rests on, and comparison."""
