"""`blindtest measure` on a unit's folder: files sorted, figures computed, told in lines and JSON."""
