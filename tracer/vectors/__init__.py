"""Pieces of vector pages, exactly as the page has them."""
