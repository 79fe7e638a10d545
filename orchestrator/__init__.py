"""linktrial: trials of network links between hosts reached over SSH."""

__version__ = "0.1.0"
