"""Facts into sentences, and numbers, units and lists in one style, for page, tables and files."""
