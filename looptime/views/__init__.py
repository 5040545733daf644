"""What people and programs see: text, JSON, HTML, JUnit and figures."""
