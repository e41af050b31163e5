package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"mime"
	"net/http"
	"path"
	"strings"

	"github.com/gin-gonic/gin"

	"spindlebook/internal/fault"
)

//go:embed static
var staticFiles embed.FS

// static holds what pages load. A name carries a hash of the content, so that
// browsers keep it for good and a new version is a new name.
type static struct {
	byPath map[string]file   // "paper.1f2e3d4c5b.css"
	paths  map[string]string // "paper.css" to "/static/paper.1f2e3d4c5b.css"
}

type file struct {
	kind          string
	plain, zipped []byte
}

func openStatic() (*static, error) {
	s := &static{byPath: map[string]file{}, paths: map[string]string{}}
	entries, err := staticFiles.ReadDir("static")
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		b, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(b)
		ext := path.Ext(e.Name())
		name := strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:5]) + ext
		var z bytes.Buffer
		w, err := gzip.NewWriterLevel(&z, gzip.BestCompression)
		if err != nil {
			return nil, err
		}
		if _, err := w.Write(b); err != nil {
			return nil, err
		}
		if err := w.Close(); err != nil {
			return nil, err
		}
		s.byPath[name] = file{kind: mime.TypeByExtension(ext), plain: b, zipped: z.Bytes()}
		s.paths[e.Name()] = "/static/" + name
	}
	return s, nil
}

// path gives the address of a file by its plain name.
func (s *static) path(name string) (string, error) {
	p, ok := s.paths[name]
	if !ok {
		return "", fmt.Errorf("no static file %q", name)
	}
	return p, nil
}

func (p *pages) asset(c *gin.Context) {
	f, ok := p.static.byPath[c.Param("name")]
	if !ok {
		guard(c)
		p.door.Fail(c, &fault.Error{Kind: fault.NotFound, Msg: "there is nothing at this address"})
		return
	}
	h := c.Writer.Header()
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("Vary", "Accept-Encoding")
	b := f.plain
	if strings.Contains(c.GetHeader("Accept-Encoding"), "gzip") && len(f.zipped) < len(f.plain) {
		h.Set("Content-Encoding", "gzip")
		b = f.zipped
	}
	c.Data(http.StatusOK, f.kind, b)
}
