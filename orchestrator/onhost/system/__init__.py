"""The seam to the operating system: what another family of systems replaces."""
