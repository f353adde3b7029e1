//! SQLite index over the records; can be rebuilt from them at any time.
