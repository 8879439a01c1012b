"""The heat run itself: instruments asked, scans taken, the record written."""
