"""Published relations with their sources, plain functions without state."""
