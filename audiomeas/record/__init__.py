"""The store of visits: append-only folders, one a visit of one unit."""
