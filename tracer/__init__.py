"""Millimetre pictures to pieces to things that can be cut."""
