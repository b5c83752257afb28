"""The batch book: pieces and what they took up, resin lots and their age, plans, reports, everything out and in."""
