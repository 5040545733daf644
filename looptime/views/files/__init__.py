"""What is written to files: JSON, HTML, PDF, JUnit, Markdown."""
