package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
)

// awaits waits until a page says that something is so. While one page gives way to the next
// neither answers.
func awaits(t *testing.T, in context.Context, what, js string) {
	t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		ctx, stop := context.WithTimeout(in, patience)
		is, err := chromedp.Run(ctx, chromedp.Evaluate[bool](js))
		stop()
		if err == nil && is {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%s: %v", what, err)
		}
	}
}

// follows does something to a page from which another follows, and waits for that one.
func follows(t *testing.T, in context.Context, does ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	eval[bool](t, in, `window.left = true`)
	run(t, in, does...)
	awaits(t, in, "no page follows", `!window.left && document.readyState === "complete"`)
}

// hand is somebody in front of a screen. They find what they press and fill by the words
// that stand on it, and what does not fit their screen fails the test.
type hand struct {
	t     *testing.T
	in    context.Context
	h     *house
	name  string
	phone bool
	where string // words of the part of the page in which they look; "" for all of it
}

// sits gives somebody a screen of one of the sizes and signs them in.
func (h *house) sits(t *testing.T, root context.Context, who uuid.UUID, name string, at int) *hand {
	t.Helper()
	s := screens[at]
	in := tab(t, root, h, "")
	run(t, in, size(s.width, s.height, s.phone), chromedp.Navigate(h.URL+h.link(t, who)))
	p := &hand{t: t, in: in, h: h, name: name + " on a " + s.name, phone: s.phone}
	p.arrives()
	return p
}

// found is what a page has of something that is looked for.
type found struct {
	Here   []string // what fits, where it is not one thing
	X, Y   float64
	Height float64
	Stays  bool // it leads to no other page
	Under  string
}

// looks is how a reader looks: words as they stand, without what only a screen reader is
// told; the nearest part of the page that holds the words of the place; and what is
// hidden or lies under something else cannot be pressed.
const looks = `
const said = e => { const c = e.cloneNode(true); c.querySelectorAll(".hear, .optional, .hint").forEach(x => x.remove()); return c.textContent.replace(/\s+/g, " ").trim(); };
const shown = e => e.checkVisibility({visibilityProperty: true}) && e.getClientRects().length > 0;
const place = words => {
	if (!words || words === "the navigation") return document.querySelector(words ? "nav.places" : "body");
	const all = [...document.querySelectorAll("main section, main li, main article, main fieldset, main tr, main form, main .field, main details, main")].filter(e => shown(e) && said(e).includes(words));
	return all.find(e => !all.some(x => x !== e && e.contains(x)) ) || null;
};
const fitting = (tags, words, where) => {
	for (let at = place(where); at; at = at === document.body ? null : at.parentElement) {
		const all = [...at.querySelectorAll(tags)].filter(shown);
		for (const rule of [s => s === words, s => s.startsWith(words), s => s.includes(words)]) {
			const fit = all.filter(e => rule(said(e)));
			if (fit.length) return fit;
		}
	}
	return [];
};
const reach = all => {
	if (all.length !== 1) return {Here: all.map(e => e.outerHTML.slice(0, 160))};
	const e = all[0];
	e.scrollIntoView({block: "center", inline: "center", behavior: "instant"});
	const r = e.getClientRects()[0], x = r.x + r.width / 2, y = r.y + r.height / 2, top = document.elementFromPoint(x, y);
	const href = e.getAttribute("href");
	return {Here: [], X: x, Y: y, Height: e.getBoundingClientRect().height, Stays: !(href || e.matches("button")) || !!href && href.startsWith("#"),
		Under: top && (e.contains(top) || top.contains(e)) ? "" : (top ? top.outerHTML.slice(0, 160) : "the edge of the screen")};
};
`

// finds looks for something by its words, and fails where it is not there exactly once,
// cannot be pressed, or is too small for a thumb.
func (p *hand) finds(what, words, js string) found {
	p.t.Helper()
	f := eval[found](p.t, p.in, `(() => {`+looks+`return `+js+`})()`)
	if f.Y == 0 && f.X == 0 {
		p.t.Fatalf("%s finds no %s %q (%q) but %v in: %s", p.name, what, words, p.where, f.Here, p.words())
	}
	if f.Under != "" {
		p.t.Errorf("%s: %q lies under %s", p.name, words, f.Under)
	}
	if p.phone && f.Height < 43.5 {
		p.t.Errorf("%s: %q is %.0f px high, too small for a thumb, on %s", p.name, words, f.Height, eval[string](p.t, p.in, `location.pathname`))
	}
	return f
}

func quoted(words string) string {
	b, _ := json.Marshal(words) // a string of JSON is one of JavaScript
	return string(b)
}

func (p *hand) fitting(tags, words string) string {
	return `reach(fitting(` + quoted(tags) + `, ` + quoted(words) + `, ` + quoted(p.where) + `))`
}

// at is the same person who looks at the part of the page that holds these words.
func (p *hand) at(words string) *hand {
	there := *p
	there.where = words
	return &there
}

// open types an address, as from a bookmark.
func (p *hand) open(path string) {
	p.t.Helper()
	run(p.t, p.in, chromedp.Navigate(p.h.URL+path))
	p.arrives()
}

// tap presses a link or a button; where a page follows, it waits for that.
func (p *hand) tap(words string) {
	p.t.Helper()
	p.h.ahead.Add(int64(time.Minute))
	f := p.finds("link or button", words, p.fitting("a[href], button, summary", words))
	click := chromedp.MouseClickXY(f.X, f.Y)
	if f.Stays {
		run(p.t, p.in, click)
		return
	}
	follows(p.t, p.in, click)
	p.arrives()
}

// tapTwice presses it a second time before the page has had time to answer.
func (p *hand) tapTwice(words string) {
	p.t.Helper()
	f := p.finds("link or button", words, p.fitting("button", words))
	follows(p.t, p.in, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Evaluate[bool](fmt.Sprintf(`(e => { const b = e.closest("button"); b.click(); b.click(); return true })(document.elementFromPoint(%f, %f))`, f.X, f.Y))(ctx, t)
		return err
	}))
	p.arrives()
}

// turn goes to a page by the navigation: the words to press, one after the other.
func (p *hand) turn(words ...string) {
	p.t.Helper()
	for _, w := range words {
		p.at("the navigation").tap(w)
	}
}

// back goes to the page before, as it was left.
func (p *hand) back() {
	p.t.Helper()
	was := eval[string](p.t, p.in, `(history.back(), location.href)`)
	awaits(p.t, p.in, p.name+" does not come back from "+was, `document.readyState === "complete" && location.href !== `+strconv.Quote(was))
}

// arrives looks whether a page came and fits the screen.
func (p *hand) arrives() {
	p.t.Helper()
	came := eval[struct {
		look
		At     string
		Status int
	}](p.t, p.in, `Object.assign(`+looking+`, {At: location.pathname, Status: performance.getEntriesByType("navigation")[0].responseStatus})`)
	if p.phone && came.Wide > 0 {
		p.t.Errorf("%s: %s scrolls sideways by %d px", p.name, came.At, came.Wide)
	}
	if came.Status >= 400 {
		p.t.Fatalf("%s: %s answers %d: %s", p.name, came.At, came.Status, p.words())
	}
	keep(p.t, p.in, strings.ReplaceAll(p.name, " ", "-"), came.At)
}

// tick presses a box or a choice by the words beside it.
func (p *hand) tick(words ...string) {
	p.t.Helper()
	for _, w := range words {
		f := p.finds("choice", w, p.fitting("label:has(input[type=checkbox]), label:has(input[type=radio])", w))
		run(p.t, p.in, chromedp.MouseClickXY(f.X, f.Y))
	}
}

// control is what belongs to a label.
const control = `.map(l => l.control).filter(c => c && shown(c))`

// fill types into the field with a label.
func (p *hand) fill(label, text string) {
	p.t.Helper()
	of := `fitting("label", ` + quoted(label) + `, ` + quoted(p.where) + `)` + control
	f := p.finds("field", label, `reach(`+of+`)`)
	run(p.t, p.in, chromedp.MouseClickXY(f.X, f.Y))
	// what a date is typed as depends on the browser's language; a browser gives its value as ISO 8601 has it
	if eval[bool](p.t, p.in, `(() => { const e = document.activeElement; if (!/^(date|datetime-local)$/.test(e.type)) { e.select(); return false; }
		e.value = `+quoted(text)+`; e.dispatchEvent(new Event("input", {bubbles: true})); e.dispatchEvent(new Event("change", {bubbles: true})); return true; })()`) {
		return
	}
	run(p.t, p.in, chromedp.KeyEvent(text))
}

// choose takes an option of a list by its words.
func (p *hand) choose(label, option string) {
	p.t.Helper()
	of := `fitting("label", ` + quoted(label) + `, ` + quoted(p.where) + `)` + control
	p.finds("list", label, `reach(`+of+`)`)
	got := eval[[]string](p.t, p.in, `(() => {`+looks+` const e = `+of+`[0], all = [...e.options].filter(o => o.text.includes(`+quoted(option)+`));
		if (all.length !== 1) return [...e.options].map(o => o.text);
		e.value = all[0].value; e.dispatchEvent(new Event("input", {bubbles: true})); e.dispatchEvent(new Event("change", {bubbles: true})); return []; })()`)
	if len(got) > 0 {
		p.t.Fatalf("%s finds %q not once in the list %q: %s", p.name, option, label, strings.Join(got, " | "))
	}
}

// words gives what is written on the page, as far as it is seen, with one blank between them.
func (p *hand) words() string {
	p.t.Helper()
	return strings.Join(strings.Fields(eval[string](p.t, p.in, `document.querySelector("main").innerText`)), " ")
}

// reads holds that words stand on the page.
func (p *hand) reads(says ...string) {
	p.t.Helper()
	words, missing := p.words(), []string{}
	for _, s := range says {
		if !strings.Contains(words, s) {
			missing = append(missing, s)
		}
	}
	if len(missing) > 0 {
		p.t.Errorf("%s does not read %q on %s: %s", p.name, missing, eval[string](p.t, p.in, `location.pathname`), words)
	}
}

// readsNot holds that words stand nowhere on the page, folded or not.
func (p *hand) readsNot(says ...string) {
	p.t.Helper()
	words := eval[string](p.t, p.in, `document.querySelector("main").textContent`)
	for _, s := range says {
		if strings.Contains(words, s) {
			p.t.Errorf("%s reads %q", p.name, s)
		}
	}
}
