"""Commands that open the dashboard."""
