"""The Practice page: drills, progress, and the study of person or tool."""
