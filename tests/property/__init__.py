"""Property tests over whole rooms."""
