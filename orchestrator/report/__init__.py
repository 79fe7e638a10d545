"""The combined matrix report: HTML, Markdown and charts."""
