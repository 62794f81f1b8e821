"""Arranging for harp: one playable part from other music, and versions for several players."""
