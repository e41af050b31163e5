// Package ident makes and reads the identities printed on labels. It is pure.
package ident

import (
	"fmt"
	"strings"
)

// alphabet is that of ISO 7064 MOD 37,36: digits, letters.
const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// Check gives the check character of a text of digits and capital letters by
// ISO 7064, MOD 37,36. It finds every single wrong character and nearly every swap
// of neighbours. It is false for a text with another character in it, or none.
func Check(text string) (byte, bool) {
	p := 36
	for i := 0; i < len(text); i++ {
		a := strings.IndexByte(alphabet, text[i])
		if a < 0 {
			return 0, false
		}
		if p = (p + a) % 36; p == 0 {
			p = 36
		}
		p = p * 2 % 37
	}
	return alphabet[(37-p)%36], text != ""
}

// Tag gives the text of our own label number n: SB, six digits or more, and a
// check character, so that a mistyped one is noticed.
func Tag(n int64) string {
	body := fmt.Sprintf("SB%06d", n)
	c, _ := Check(body) // of digits and capital letters throughout
	return body + string(c)
}

// Sound tells whether a text that looks like one of our labels carries its check
// character. Labels of others, which do not begin so, are sound as they are.
func Sound(tag string) bool {
	if len(tag) < 9 || !strings.HasPrefix(tag, "SB") || strings.Trim(tag[2:len(tag)-1], "0123456789") != "" {
		return true
	}
	c, ok := Check(tag[:len(tag)-1])
	return ok && c == tag[len(tag)-1]
}
