"""Read the list of claims as offices send it: which table, which columns, which dates, which claims."""
