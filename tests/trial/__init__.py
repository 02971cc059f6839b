"""What a bad network does to records on their way, and what becomes of them: against a real server process."""
