//go:build !linux

package pgtest

import "os"

func fastest() string { return os.TempDir() }
