"""A daemon's dashboard elsewhere: what is sent to whom, and what is shown of it."""
