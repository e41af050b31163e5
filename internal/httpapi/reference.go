package httpapi

import (
	"compress/gzip"
	"embed"
	"io"
	"mime"
	"path"
	"strings"

	"github.com/gin-gonic/gin"

	"spindlebook/internal/fault"
)

// The page that shows the specification: a kept library, served from here so
// that nothing is loaded from outside.
//
//go:embed reference
var referenceFiles embed.FS

// referencePolicy lets the library draw; it sets styles from its script, which
// needs no exception, and shows its icons as data.
const referencePolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

func (s *Server) reference(c *gin.Context) {
	name := strings.TrimPrefix(c.Param("file"), "/")
	if name == "" {
		name = "index.html"
	}
	h := c.Writer.Header()
	h.Set("Content-Security-Policy", referencePolicy)
	h.Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
	h.Set("Cache-Control", "public, max-age=3600")
	if body, err := referenceFiles.ReadFile("reference/" + name); err == nil {
		_, _ = c.Writer.Write(body) // a reader who has left
		return
	}
	packed, err := referenceFiles.Open("reference/" + name + ".gz")
	if err != nil {
		h.Del("Content-Type")
		h.Del("Cache-Control")
		s.door.Fail(c, fault.Missing("page", name))
		return
	}
	defer packed.Close()
	h.Add("Vary", "Accept-Encoding")
	if strings.Contains(c.GetHeader("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		_, _ = io.Copy(c.Writer, packed)
		return
	}
	if plain, err := gzip.NewReader(packed); err == nil {
		_, _ = io.Copy(c.Writer, plain)
	}
}
