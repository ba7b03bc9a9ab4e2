"""Counting live cells: plates, most probable numbers, and cells per seed (§1)."""
