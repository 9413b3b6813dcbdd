"""What the archive writes for people and other programs. From the letters up to the whole documents:

1. `typesetting`: the embedded typeface, wrapped lines, PDFs opened and saved; `output`: files written whole.
2. `dates`: days, times and zones in words.
3. `sheets`: the divider sheet of a claim, and the label cards.
4. `captions`: what a photo's tag, times and compass say, and the order of the walk.
5. `page_writer`: text, rules and bookmarks on pages that follow one another.
6. The photo report: `report_pictures` (its pictures), `report_document` (its content and its state while it is
   made), `report_cover`, `plan_drawing` and `report_summary` (the house at a glance, damage), `report_pages` (photos),
   `report_lists` (index, appendix), `photo_report` (the file).
7. `xmp`: the sidecar beside a photo, for other programs.
8. `certificate`: the text that remains of a purged claim.
"""
