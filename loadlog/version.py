"""The version of the program, where everything may import it from."""

__version__ = "0.1.0"
