"""Developers' tools: try-out, benches, and the simulated bench (`tools.plant`). The daemon imports nothing of it."""
