"""The record of every batch: SQLite, and logs in and out."""
