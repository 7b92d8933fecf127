"""What a rehearsal showed: a page that opens offline, and a summary for the terminal."""
