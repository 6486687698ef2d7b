"""The pen lines on the tape, read from the scan's colours."""
