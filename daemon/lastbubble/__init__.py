"""lastbubble: watches a vacuum stabilising bench and its curing oven, and cuts the heat at hard limits."""

__version__ = "0.1.0"
