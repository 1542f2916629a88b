"""The package's version: it stands here alone, and ``pyproject.toml`` reads it from here."""

VERSION = "0.1.0"
