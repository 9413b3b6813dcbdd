"""What is handed on and shown of a claim:

1. `views`: claims and photos as plain data, for the command line and the board.
2. `table`: the table of a claim's photos as CSV or JSON.
3. `photo_report`: the photo report as a PDF (its pages are in `evidence.paper`).
"""
