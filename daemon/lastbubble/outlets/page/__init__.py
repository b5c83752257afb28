"""The station page."""
