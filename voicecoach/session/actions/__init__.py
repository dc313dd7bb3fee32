"""The actions of the table: each changes a turn. Pure."""
