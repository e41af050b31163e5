package httpapi

// ReadItems is the parser of batches of readings, for fuzzing.
var ReadItems = readItems
