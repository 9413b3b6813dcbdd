"""The demonstration: an invented day of inspections, and the renderer that draws its camera card."""
