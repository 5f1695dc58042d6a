"""Published JSON Schemas of the files this tool writes."""
