"""The review page: a local web page to look, tag, cut, waive, sign and send back."""
