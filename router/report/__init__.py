"""A child's playing, session by session: measures of a log, and the pages that show them."""
