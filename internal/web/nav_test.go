package web_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
	"golang.org/x/net/html"

	"spindlebook/internal/access"
)

// rowOf reads the navigation of a page: what stands in the row, and what lies under it.
func rowOf(t testing.TB, body string) (row []string, here []string) {
	t.Helper()
	walk(parse(t, body), func(n *html.Node) {
		if n.Data != "nav" || attr(n, "class") != "places" {
			return
		}
		walk(n, func(e *html.Node) {
			switch {
			case e.Data == "a":
				row = append(row, attr(e, "href"))
				if attr(e, "aria-current") == "page" {
					here = append(here, attr(e, "href"))
				}
			case e.Data == "summary":
				row = append(row, strings.TrimSuffix(textOf(e), " (you are here)"))
				if attr(e, "class") == "here" {
					here = append(here, textOf(e))
				}
			}
		})
	})
	return row, here
}

// Everybody finds first what they ask first, and sees where they are.
func TestTheNavigationIsOfItsReader(t *testing.T) {
	g := newGround(t)
	clerk := g.as(t, g.person(t, "Junia Tressel", access.NewGrant{Role: "parts_clerk"}))
	for _, c := range []struct {
		name string
		v    *visitor
		row  string
	}{
		{"manager", g.asManager, "/ Plan /visits /ahead /programme Work /today /jobs /faults Places /sites /counters /customers /stock House /people /trail"},
		{"technician", g.asTech, "/today Work /jobs /faults /visits /ahead /programme Places / /sites /counters /customers /stock"},
		{"clerk", clerk, "/ /stock Work /visits /ahead /programme /faults Places /sites /counters /customers"},
		{"owner", g.asOwner, "/ /sites Coming /visits /ahead /programme /faults /counters"},
		{"site staff", g.asStaff, "/ /sites Coming /visits /ahead /programme /faults /counters"},
	} {
		row, _ := rowOf(t, c.v.get("/sites").body)
		if got := strings.Join(row, " "); got != c.row {
			t.Errorf("%s: %s", c.name, got)
		}
		for _, path := range row {
			if strings.HasPrefix(path, "/") {
				got := c.v.get(path)
				if _, here := rowOf(t, got.body); got.status != 200 || !slices.Contains(here, path) {
					t.Errorf("%s at %s: %d, is at %v", c.name, path, got.status, here)
				}
			}
		}
	}
	for path, want := range map[string]string{"/positions/" + g.left.ID.String(): "Places (you are here) /sites", "/units": "/stock", "/people/invite": "House (you are here) /people",
		"/van": "Work (you are here) /today", "/account": "", "/plans/new": "Plan (you are here) /programme"} {
		if _, here := rowOf(t, g.asManager.get(path).body); strings.Join(here, " ") != want {
			t.Errorf("%s is at %q", path, here)
		}
	}
	if row, _ := rowOf(t, g.nobody(t).get("/sign-in").body); len(row) > 0 {
		t.Errorf("a stranger is led to %v", row)
	}
}

// One row on a desk, and on a phone at the foot of the screen, where the thumb is; by keyboard
// and without a script as well.
func TestTheNavigationIsOneRow(t *testing.T) {
	e, g := openEyes(t), newGround(t)
	for _, who := range []uuid.UUID{g.manager, g.technician, g.owner} {
		in := tab(t, e.root, g.house, g.link(t, who))
		for _, screen := range screens {
			run(t, in, prefers("light"), size(screen.width, screen.height, screen.phone), chromedp.Navigate(g.URL+"/sites"))
			type box struct {
				Rows            int     // at how many heights its entries stand
				Top, Foot, High float64 // of the whole
				Wide            float64
				Find            float64 // the height at which the find box stands
			}
			b := eval[box](t, in, `(() => { const n = document.querySelector(".places"), r = n.getBoundingClientRect();
				const tops = [...n.querySelectorAll(":scope > ul > li")].map(e => Math.round(e.getBoundingClientRect().top));
				return {Rows: new Set(tops).size, Top: r.top, Foot: r.bottom, High: r.height, Wide: Math.max(...[...n.querySelectorAll(":scope > ul > li")].map(e => e.getBoundingClientRect().right)), Find: document.querySelector(".find").getBoundingClientRect().top}; })()`)
			if b.Rows != 1 || b.High > 64 || b.Wide > float64(screen.width) {
				t.Errorf("on a %s it is %+v", screen.name, b)
			}
			if screen.phone && b.Foot != float64(screen.height) {
				t.Errorf("on a phone it ends at %v", b.Foot)
			}
			if !screen.phone && (b.Find < b.Top || b.Find > b.Foot) {
				t.Errorf("on a desk the find box stands at %v, beside %v to %v", b.Find, b.Top, b.Foot)
			}
			// the last thing of the page is not hidden behind it
			if hidden := eval[bool](t, in, `(window.scrollTo(0, 1e6), document.querySelector(".foot").getBoundingClientRect().bottom > document.querySelector(".places").getBoundingClientRect().top && getComputedStyle(document.querySelector(".places")).position == "fixed")`); hidden {
				t.Errorf("on a %s the foot of the page lies behind it", screen.name)
			}
			for i := range eval[int](t, in, `document.querySelectorAll(".places summary").length`) {
				eval[bool](t, in, `(document.querySelectorAll(".places summary")[`+string(rune('0'+i))+`].focus(), true)`)
				run(t, in, chromedp.KeyEvent("\r"))
				shown := eval[[]string](t, in, `[...document.querySelectorAll(".places details a")].filter(a => a.checkVisibility()).filter(a => { const r = a.getBoundingClientRect();
					return r.top >= 0 && r.bottom <= innerHeight && r.left >= 0 && r.right <= innerWidth && r.height > 43.5 && document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2) == a }).map(a => a.textContent)`)
				if open := eval[int](t, in, `document.querySelectorAll(".places details[open]").length`); open != 1 || len(shown) < 2 {
					t.Fatalf("on a %s list %d: %d are open, and show %v", screen.name, i, open, shown)
				}
				for _, scheme := range []string{"light", "dark"} {
					if who != g.manager { // hers has them all
						break
					}
					run(t, in, prefers(scheme))
					eval[bool](t, in, e.checker)
					if found := violations(t, in, scheme); len(found) > 0 {
						t.Errorf("on a %s in %s with list %d open:\n%s", screen.name, scheme, i, strings.Join(found, "\n"))
					}
				}
				run(t, in, chromedp.KeyEvent("\t")) // into the list
				if at := eval[string](t, in, `document.activeElement.textContent`); at != shown[0] {
					t.Errorf("on a %s the keyboard goes from list %d to %q", screen.name, i, at)
				}
				run(t, in, chromedp.KeyEvent("\x1b"))
				if at := eval[string](t, in, `document.activeElement.tagName + " " + document.querySelectorAll(".places details[open]").length`); at != "SUMMARY 0" {
					t.Errorf("on a %s Escape leads to %q", screen.name, at)
				}
			}
		}
	}
	in := tab(t, e.root, g.house, "")
	run(t, in, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}), size(390, 844, true), chromedp.Navigate(g.URL+g.link(t, g.technician)), chromedp.Click(chromedp.CSS(".places > ul > li:nth-child(3) summary")),
		chromedp.Click(chromedp.CSS(`.places a[href="/customers"]`)), chromedp.WaitVisible(chromedp.CSS(`a[href="/customers/`+g.ours.ID.String()+`"]`)))
}
