# The house rules, as a test.
exec "$SOURCE_ROOT/scripts/lint"
