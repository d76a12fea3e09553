"""Many benches, one record: each copies its entries, never changed, to one PostgreSQL.

An extra: only ``station share`` and the setting ``share`` import it. A bench goes on by itself
whether or not the shared record can be reached.
"""
