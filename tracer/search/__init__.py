"""Telling the pieces of a sheet from everything else on it, at the resolution of masks."""
