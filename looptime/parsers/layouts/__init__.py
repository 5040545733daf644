"""The layouts that are read, one file each, and what all of them hand on."""
