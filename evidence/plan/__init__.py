"""The house at a glance: what a claim's photos state of each side and slope, and a drawing of it. Values only.

1. `surfaces`: the elevations and slopes with their photos, conditions and test squares; the table of components.
2. `bearing`: the compass direction that the front faces, and positions in metres.
3. `shapes`: the drawing, in unit coordinates; the board and the report draw the same shapes.
"""
