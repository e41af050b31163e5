package web_test

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
)

// screen is a size at which pages are looked at.
type screen struct {
	name          string
	width, height int64
	phone         bool
}

var screens = []screen{{"phone", 390, 844, true}, {"desk", 1440, 900, false}}

// ways are those in which pages are looked at: colours are looked at on the desk, where all of
// it is shown, and are the same on a phone.
func (s screen) ways() []string {
	if s.phone {
		return []string{shapes}
	}
	return []string{"light", "dark"}
}

// eyes are a browser that knows what a page must not have.
type eyes struct {
	root    context.Context
	checker string // axe-core, the checker of accessibility
}

// openEyes starts them. The checker is there after `make test` or `npm ci --prefix tools`.
func openEyes(t *testing.T) eyes {
	t.Helper()
	checker, err := os.ReadFile("../../tools/node_modules/axe-core/axe.min.js")
	if err != nil {
		needed(t, "axe-core")
	}
	return eyes{browser(t), string(checker) + ";\n true"}
}

// look is what a page is asked for in the browser.
type look struct {
	Wide    int      // px by which its body is wider than the screen
	Foreign []string // what it loaded from elsewhere
	Small   []string // what a fingertip misses
}

const looking = `({
	Wide: Math.max(0, document.scrollingElement.scrollWidth - document.documentElement.clientWidth),
	Foreign: performance.getEntriesByType("resource").map(r => r.name).filter(n => !n.startsWith(location.origin)),
	Small: [...document.querySelectorAll("button, a.button, .bar nav a, input:not([type=hidden]):not([type=radio]):not([type=checkbox]), select, summary, a.row-name, .radios label, .check label")]
		.filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 43.5).map(e => e.outerHTML.slice(0, 120)),
})`

const axe = `axe.run(document, {resultTypes: ["violations"], %s}).then(r => r.violations.map(v =>
	v.id + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + " | " + n.failureSummary.slice(0, 200)).join("\n")))`

// shapes is light, and all but the colours.
const shapes = "light but for colours"

// asked is what axe-core is asked beside: in light everything, in dark about colours only,
// since a scheme changes nothing else. Colours take it longer than all the rest.
var asked = map[string]string{"light": "", "dark": `runOnly: ["color-contrast", "link-in-text-block"]`,
	shapes: `rules: {"color-contrast": {enabled: false}, "link-in-text-block": {enabled: false}}`}

// violations gives what axe-core finds in a tab that has it, and that shows one of the ways.
func violations(t *testing.T, in context.Context, way string) []string {
	t.Helper()
	return eval[[]string](t, in, fmt.Sprintf(axe, asked[way]))
}

// see holds the page that a tab shows against its screen: nothing wider than that, nothing
// from elsewhere, nothing too small for a thumb, no violation that axe-core finds in light
// or in dark, or in the ways that are named, also in what is folded.
func (e eyes) see(t *testing.T, in context.Context, name string, ways ...string) {
	t.Helper()
	if l := eval[look](t, in, looking); l.Wide > 0 || len(l.Foreign) > 0 || len(l.Small) > 0 {
		t.Errorf("%s: %d px too wide; loads %v; too small: %s", name, l.Wide, l.Foreign, strings.Join(l.Small, "\n"))
	}
	eval[bool](t, in, e.checker)
	eval[bool](t, in, `document.querySelectorAll("main details").forEach((d, i) => d.open = i < 4), true`)
	if len(ways) == 0 {
		ways = []string{"light", "dark"}
	}
	for _, way := range ways {
		scheme, _, _ := strings.Cut(way, " ")
		run(t, in, prefers(scheme))
		if found := violations(t, in, way); len(found) > 0 {
			t.Errorf("%s in %s:\n%s", name, way, strings.Join(found, "\n"))
		}
	}
}

// keep keeps a picture of what a tab shows, where SPINDLEBOOK_PICTURES names a folder for it.
func keep(t *testing.T, in context.Context, screen, path string) {
	t.Helper()
	folder := os.Getenv("SPINDLEBOOK_PICTURES")
	if folder == "" {
		return
	}
	png, err := chromedp.Run(in, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	plain := strings.NewReplacer("/", "_", "?", "_", "=", "_").Replace(ids.ReplaceAllString(path, "ID"))
	if err := os.WriteFile(folder+"/"+screen+plain+".png", png, 0o600); err != nil {
		t.Fatal(err)
	}
}

// fits opens pages as the people who use them, on a phone and on a desk.
func fits(t *testing.T, h *house, pages map[uuid.UUID][]string) {
	t.Helper()
	e := openEyes(t)
	for who, paths := range pages {
		in := tab(t, e.root, h, h.link(t, who))
		for _, screen := range screens {
			run(t, in, size(screen.width, screen.height, screen.phone))
			for _, path := range paths {
				run(t, in, prefers("light"), chromedp.Navigate(h.URL+path))
				if got := eval[int](t, in, `performance.getEntriesByType("navigation")[0].responseStatus`); got != 200 && got != 422 { // 422 is a form that says what to mend first
					t.Errorf("%s: %d", path, got)
				}
				e.see(t, in, path+" on a "+screen.name, screen.ways()...)
				run(t, in, prefers("light"))
				keep(t, in, screen.name, path)
			}
		}
	}
}
