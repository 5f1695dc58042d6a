"""Files that leave the tool, and the measuring of what was written."""
