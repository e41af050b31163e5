package web_test

import (
	"context"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
)

func onPaper() chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		return err
	})
}

// paper is what a page has on a sheet of A4 (ISO 216: 210 mm, at 96 px an inch 794 px) less two
// margins of 15 mm.
type paper struct {
	Wide   int      // px beyond the sheet
	Idle   []string // what does nothing on paper and shows all the same
	Faint  []string // text that is neither black nor dark, or stands on something dark
	Words  int      // how many there are
	Height int
}

const lookingAtPaper = `(() => {
	const shows = (e) => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== "hidden";
	const dark = (c) => { const m = c.match(/[\d.]+/g).map(Number); return (0.2126 * m[0] + 0.7152 * m[1] + 0.0722 * m[2]) / 255; };
	const ground = (e) => { // the colour on which it stands
		for (; e; e = e.parentElement) {
			const c = getComputedStyle(e).backgroundColor, m = c.match(/[\d.]+/g).map(Number);
			if (m.length < 4 || m[3] > 0.5) return c;
		}
		return "rgb(255, 255, 255)";
	};
	const faint = new Set();
	for (const e of document.querySelectorAll("main *")) {
		if (!shows(e) || e.closest("svg") || ![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())) continue;
		if (dark(getComputedStyle(e).color) > 0.35 || dark(ground(e)) < 0.65) faint.add(e.tagName + "." + e.className + ": " + e.textContent.trim().slice(0, 40));
	}
	const idle = [...document.querySelectorAll("button, nav, input:not([type=hidden]):not([type=checkbox]):not([type=radio]), select, textarea, .skip, .find, .tabs, .acts")].filter(shows).map((e) => e.tagName + "." + e.className + ": " + e.textContent.trim().slice(0, 40));
	return {Wide: Math.max(0, document.documentElement.scrollWidth - 681), Idle: idle, Faint: [...faint], Words: document.querySelector("main").innerText.split(/\s+/).length, Height: document.documentElement.scrollHeight};
})()`

// prints looks at pages as they come out of a printer: nothing wider than the sheet, nothing that
// only a screen can use, black on white.
func prints(t *testing.T, h *house, who uuid.UUID, paths ...string) {
	t.Helper()
	root := browser(t)
	in := tab(t, root, h, h.link(t, who))
	run(t, in, size(681, 960, false))
	for _, path := range paths {
		run(t, in, onPaper(), chromedp.Navigate(h.URL+path))
		l := eval[paper](t, in, lookingAtPaper)
		if l.Wide > 0 || len(l.Idle) > 0 || len(l.Faint) > 0 || l.Words < 12 {
			t.Errorf("%s on paper: %+v", path, l)
		}
		keep(t, in, "paper", path)
	}
}

func TestWhatGoesToTheSiteOnPaper(t *testing.T) {
	r := newRounds(t)
	on := "?on=" + r.on.String()
	prints(t, r.house, r.technician, "/van"+on, "/today"+on, r.path(), "/sites/"+r.site.ID.String()+"/labels", "/positions/"+r.left.ID.String(), "/positions/"+r.left.ID.String()+"/takes")
}

func TestAJobCardOnPaper(t *testing.T) {
	b := newBench(t)
	b.openCard(t, "stand")
	root := browser(t)
	in := tab(t, root, b.house, b.link(t, b.technician))
	run(t, in, size(681, 960, false), onPaper(), chromedp.Navigate(b.URL+b.path))
	// every step is on the sheet, also those behind a hold point, and how it is isolated
	said := eval[string](t, in, `document.querySelector("main").innerText`)
	for _, step := range []string{"Own lock on.", "Count the spacers.", "Locks off, tell the staff.", "Turn it off and lock it.", "driver side"} {
		if !strings.Contains(said, step) && !strings.Contains(eval[string](t, in, `document.querySelector("svg.turning")?.textContent ?? ""`), step) {
			t.Errorf("the card on paper lacks %q", step)
		}
	}
	if n := eval[int](t, in, `[...document.querySelectorAll(".later > li")].filter((e) => e.checkVisibility({contentVisibilityAuto: true}) && e.getBoundingClientRect().height > 20).length`); n < 8 {
		t.Errorf("%d steps behind the hold point are seen", n)
	}
	prints(t, b.house, b.technician, b.path, "/lines/"+b.line.ID.String()+"/round")
}

func TestAnOrderOnPaper(t *testing.T) {
	s := newShelves(t)
	prints(t, s.house, s.manager, "/orders/"+s.sent.ID.String(), "/stock")
}
