"""One table of triggers, made for two databases."""

import pytest

from blindtest.session import migrations
from blindtest.session.migrations.triggers import postgres_triggers, sqlite_trigger


def test_a_condition_is_put_as_each_database_has_it():
    """PostgreSQL 15, 9.2 Comparison Functions and Operators: IS NOT takes NULL, TRUE, FALSE or UNKNOWN only."""
    action = "UPDATE ON notes WHEN NEW.a IS NOT OLD.a OR OLD.b IS NOT NULL"
    assert sqlite_trigger("n", action, "no") == f"CREATE TRIGGER n BEFORE {action} BEGIN SELECT RAISE(ABORT, 'no'); END"
    (one,) = postgres_triggers([("n", action, "no")])
    assert (one.table, one.event) == ("notes", "UPDATE")
    assert "IF NEW.a IS DISTINCT FROM OLD.a OR OLD.b IS NOT NULL THEN" in one.body


def test_a_table_that_keeps_its_rows_can_not_be_emptied_at_once_either():
    made = postgres_triggers(migrations.TRIGGERS)
    kept = {one.table for one in made if one.event == "DELETE"}
    assert kept == {one.table for one in made if one.event == "TRUNCATE"}
    assert {"chain", "content", "sittings", "seals"} <= kept
    assert len({one.name for one in made}) == len(made)


def test_an_action_that_is_none_is_refused():
    with pytest.raises(ValueError, match="UPDATE ON table or DELETE ON table expected"):
        postgres_triggers([("n", "INSERT ON notes", "no")])
