"""The shop's database: its tables, its views, and the two that can hold them."""
