"""The season folder: its schema as data, read with every problem named, and written empty."""
