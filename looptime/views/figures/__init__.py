"""Figures, shared by the dashboard and the report."""
