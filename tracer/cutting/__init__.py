"""Cut-ready pieces: what is cut, computed on the curves from what was traced. The traced pieces never change."""
