"""The account of a season, made from what the journal holds: pure functions from events to figures, tables and pages.

`made.account_of` gathers; `page`, `text` and `tables` show. Nothing here reads a file or asks for the time.
"""
