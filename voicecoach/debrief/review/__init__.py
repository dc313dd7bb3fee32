"""Reviews of a programme: its records in one database, and the questions a trainer asks of them."""
