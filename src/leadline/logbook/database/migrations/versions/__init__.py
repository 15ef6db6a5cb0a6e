"""The revisions. One that was given out is never changed: what is wrong with it, a later one mends."""
