"""Many jobs as tables: what one job adds to each of them."""
