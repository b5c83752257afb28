"""Where the story goes: broker, phone, page. Each reads the ledger by a stored cursor."""
