"""Logs of lines that are no table, brought to the rows and columns of one."""
