"""The append-only record: the only database code of the station."""
