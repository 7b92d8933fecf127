"""The parts of bring-up. Law: nothing here is imported by a wake; a board that has gone out can do without it."""
