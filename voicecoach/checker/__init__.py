"""What a protocol does to people: contact, contamination, slips, published orders. Pure."""
