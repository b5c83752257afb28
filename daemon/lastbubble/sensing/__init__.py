"""One file a source: a pure decoder, and a thin reader around the port."""
