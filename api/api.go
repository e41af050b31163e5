// Package api holds the source of the REST interface, for the program to serve,
// to validate requests by and to test itself against.
package api

import _ "embed"

// Spec is api/openapi.yaml, OpenAPI 3.0.3.
//
//go:embed openapi.yaml
var Spec []byte
