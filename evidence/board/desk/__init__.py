"""The office's desk: pages for the duty `office`.

`pages`, `actions`, `holding` and `purging` hold the routes; each other module makes what one page shows from the archive, and returns plain
values. What a page can do, a command can do too.
"""
