"""Turn a listening impression of audio equipment into a claim that can fail, and test it blind."""

__version__ = "0.1.0"
__all__ = ["__version__"]
