"""The command line: each module holds the commands of one kind of user, `main` joins them."""
