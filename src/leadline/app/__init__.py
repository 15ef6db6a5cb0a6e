"""The page: plan a dive in the browser, and see it."""
