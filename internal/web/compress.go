package web

import (
	"bytes"
	"compress/gzip"
	"net/http"
	"strconv"
	"strings"
	"sync"
)

// worthIt is the size in bytes from which a page is compressed: a smaller one goes out
// in one packet anyway.
const worthIt = 1400

// squeezers are kept: each holds some hundred kilobytes of tables.
var squeezers = sync.Pool{New: func() any {
	w, err := gzip.NewWriterLevel(nil, 5) // pages are half drawings: level 5 finds nearly all that 9 finds, in half the time
	if err != nil {
		panic(err) // the level is a constant
	}
	return w
}}

// send answers with a page, compressed where the browser takes that and nobody learns
// anything from its size.
func (v visit) send(status int, page []byte) {
	h := v.c.Writer.Header()
	h.Set("Vary", "Accept-Encoding, Sec-Fetch-Site")
	if len(page) >= worthIt && takesGzip(v.c.Request) && unguessed(v.c.Request) {
		var b bytes.Buffer
		w := squeezers.Get().(*gzip.Writer)
		w.Reset(&b)
		_, err := w.Write(page)
		if err == nil {
			err = w.Close()
		}
		squeezers.Put(w)
		if err == nil && b.Len() < len(page) {
			h.Set("Content-Encoding", "gzip")
			page = b.Bytes()
		}
	}
	h.Set("Content-Length", strconv.Itoa(len(page)))
	v.c.Data(status, "text/html; charset=utf-8", page)
}

// takesGzip tells whether a browser takes gzip (RFC 9110, 12.5.3).
func takesGzip(r *http.Request) bool {
	for _, one := range strings.Split(strings.Join(r.Header.Values("Accept-Encoding"), ","), ",") {
		coding, weight, _ := strings.Cut(strings.ToLower(one), ";")
		if strings.TrimSpace(coding) != "gzip" {
			continue
		}
		name, q, ok := strings.Cut(strings.ReplaceAll(weight, " ", ""), "=")
		if !ok || name != "q" {
			return true
		}
		f, err := strconv.ParseFloat(q, 64)
		return err == nil && f > 0
	}
	return false
}

// unguessed tells whether the size of an answer can tell nobody what stands on it. Whoever
// makes a visitor's browser ask for pages that repeat what he chose, and sees how long the
// compressed answers are, learns the rest of the page letter by letter (the attack that is
// called BREACH). Browsers say where a request comes from (Sec-Fetch-Site), and only from
// elsewhere can he make them ask: such a page goes out as it is. A browser that does not
// say so gets pages compressed that repeat nothing, those without a query. What answers a
// form holds what was typed and perhaps a secret that is told once: it is never compressed.
func unguessed(r *http.Request) bool {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return false
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "same-origin", "none":
		return true
	case "":
		return r.URL.RawQuery == ""
	}
	return false
}
