"""What is kept of a log beside it: prepared copies, exports, the rows set aside."""
