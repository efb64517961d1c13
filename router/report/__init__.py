"""What a child did, session by session: measures of a log, and the pages that show them."""
