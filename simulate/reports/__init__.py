"""Tables, pages and figures for people."""
