"""What a trainer and a wearer read out of a record."""
