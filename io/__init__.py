"""Files in and out: scans, jobs, lines, drawings, reports."""
