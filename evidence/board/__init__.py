"""The review page: a web page on the reviewer's own computer.

A reviewer looks at photos here, tags them, moves boundaries, sets shots aside, signs off or sends back. The modules
from the outside in:

* `app` builds the web application: routes, middleware, error pages.
* `server` is the web server around it: time limits, connections, its log.
* `middleware` checks every request before a route sees it, and adds the security headers to every response.
* `login`, `claim_pages`, `photo_pages`, `media`, `actions` and `day_actions` are the routes: log in,
  pages of a claim, pages of a photo, the files that pages show or play, and every request that changes something.
* `context` is what a route gets: the board, the person who is logged in, and what they may do (`permissions`).
* `claim_list`, `day_view`, `photo_filter` and `view_models` turn catalog rows into the plain values that
  `templates/` show.
* `sessions` keeps sessions, login links and failed attempts; `thumbnails` makes missing thumbnails and `tiles` the
  full size of a photo; `background` updates bags and counts claims after a page was answered.
* `desk/` holds the office's desk: its routes, and what each of its pages shows.
* `keys` is the one table of keys, for the pages, their scripts and the reviewer's page of the documents.

Nothing here decides about a claim: `evidence.review` does.
"""
