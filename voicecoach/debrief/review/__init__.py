"""A programme's sessions together: all records in one database, and the questions a trainer asks of them."""
