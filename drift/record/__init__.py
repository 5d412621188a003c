"""The record: tables, migrations, queries."""
