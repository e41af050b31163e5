package pgdb

// Meaning is the table of constraints, for the test that holds it against the schema.
var Meaning = meaning
