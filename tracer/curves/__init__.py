"""From evidence to lines and cubics with real corners, within a tolerance."""
