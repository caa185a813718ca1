"""HTML pages to keep or print, each one file with everything inside."""
