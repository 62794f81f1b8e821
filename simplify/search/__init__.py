"""Search over combinations of edits: lattice, fronts, ranking."""
