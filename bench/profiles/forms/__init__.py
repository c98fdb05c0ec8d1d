"""Forms: what people write, checked key by key. One module a kind of file; pydantic stays in here."""
