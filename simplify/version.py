"""The version of the program and of its JSON documents."""

VERSION = "0.1.0"
