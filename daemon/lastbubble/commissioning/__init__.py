"""Putting a station into service: its steps, their judges, and the dated record that is kept of them."""
