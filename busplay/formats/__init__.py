"""Other people's files, one module each, with reader and writer; they know bytes and no links."""
