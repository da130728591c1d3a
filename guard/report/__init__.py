"""Reviews and progress as pages and terminal charts: numbers in, text out."""
