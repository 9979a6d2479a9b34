"""Everything a report says, gathered from study, stimuli and record; `report` makes the page of it."""
