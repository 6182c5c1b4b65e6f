"""What each page shows, as one frozen dataclass built by a pure function; nothing here knows the web."""
