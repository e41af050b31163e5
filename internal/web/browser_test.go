package web_test

import (
	"cmp"
	"context"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
)

// needed ends or skips a test for want of a program: on the machine that
// decides it must be there, at home it may be missing.
func needed(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is missing", what)
	}
	t.Skipf("%s is missing; `make test` installs it", what)
}

// browser starts Chromium for a test; what is looked at in it has a tab each.
func browser(t *testing.T) context.Context {
	t.Helper()
	found := false
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome"} {
		if _, err := exec.LookPath(name); err == nil {
			found = true
		}
	}
	if !found {
		needed(t, "Chromium")
	}
	// the sandbox of Chromium refuses root, and its pages here are our own
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU)
	alloc, end := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(end)
	root, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	if err := chromedp.Do(root); err != nil {
		t.Fatalf("start Chromium: %v", err)
	}
	return root
}

// tab opens a tab with cookies of its own, signed in by a link where one is given.
func tab(t *testing.T, root context.Context, h *house, link string) context.Context {
	t.Helper()
	tab, cancel := chromedp.NewContext(root, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	if err := chromedp.Do(tab); err != nil { // it ends with the context that it is opened under
		t.Fatalf("open a tab: %v", err)
	}
	if link != "" {
		run(t, tab, chromedp.Navigate(h.URL+link))
	}
	return tab
}

// patience is how long one step in a browser may take on a busy machine.
const patience = time.Minute

func run(t *testing.T, tab context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, stop := context.WithTimeout(tab, patience)
	defer stop()
	if err := chromedp.Do(ctx, steps...); err != nil {
		ctx, stop := context.WithTimeout(tab, patience)
		defer stop()
		shown, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`location.href + "\n" + document.body.innerText.slice(0, 2000)`))
		t.Fatalf("%v; shown is %s", err, shown)
	}
}

func eval[T any](t *testing.T, tab context.Context, js string) T {
	t.Helper()
	ctx, stop := context.WithTimeout(tab, patience)
	defer stop()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%v in %.80s", err, js)
	}
	return v
}

func prefers(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		return err
	})
}

func size(width, height int64, phone bool) chromedp.Action[chromedp.Void] {
	if phone {
		return chromedp.EmulateViewport(width, height, chromedp.EmulateMobile)
	}
	return chromedp.EmulateViewport(width, height)
}

// demoPages lists a page of each kind with the role that looks at it.
func demoPages(t *testing.T, h *house) map[string][]string {
	t.Helper()
	pages := map[string][]string{
		"": {"/sign-in", "/problems", "/enter/nothing"},
		"manager": {"/", "/sites", "/sites/new", "/customers", "/customers/new", "/people", "/people/invite", "/people/programs/new",
			"/trail", "/account", "/nowhere", "/parts", "/parts/new", "/locations", "/locations/new", "/import", "/counters", "/counters/quiet", "/counters/held", "/ahead", "/programme", "/plans/new", "/procedures/new"},
		"technician": {"/", "/account/password", "/people", "/find", "/find?text=UMB", "/find?text=0O", "/units", "/units?class=hub", "/units/new", "/stock", "/kits", "/orders"},
		"owner":      {"/"},
	}
	sites, err := assets.Sites(ctx, h.db, access.System, nil, assets.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sites {
		path := "/sites/" + s.ID.String()
		switch s.Code {
		case "DUN":
			pages["manager"] = append(pages["manager"], path, path+"/edit", path+"/lines/new", path+"/positions/new", path+"/blackouts/new",
				"/customers/"+s.CustomerID.String(), "/customers/"+s.CustomerID.String()+"/edit", "/trail?site="+s.ID.String())
			pages["technician"] = append(pages["technician"], path+"/notes/new", path+"/fitted", path+"/fitted?on=nonsense", path+"/findings", path+"/survey")
			pages["owner"] = append(pages["owner"], path, path+"/fitted", path+"/findings", path+"/counters", path+"/due")
			pages["technician"] = append(pages["technician"], path+"/counters", path+"/counters/round")
			pages["manager"] = append(pages["manager"], path+"/counters", path+"/counters/new", path+"/counters/compare", path+"/regimes/new",
				path+"/supplies/new", path+"/week", path+"/hand-over", path+"/points/new")
			lines, err := assets.Lines(ctx, h.db, access.System, &s.ID, access.Page{Limit: 10})
			if err != nil || len(lines) == 0 {
				t.Fatal(lines, err)
			}
			points, err := assets.IsolationPoints(ctx, h.db, access.System, now, s.ID)
			if err != nil || len(points) == 0 {
				t.Fatal(points, err)
			}
			pages["technician"] = append(pages["technician"], "/lines/"+lines[0].ID.String()+"/round", path+"/due")
			pages["manager"] = append(pages["manager"], "/lines/"+lines[0].ID.String()+"/edit", "/points/"+points[0].ID.String()+"/revise")
		}
	}
	positions, err := assets.Positions(ctx, h.db, access.System, assets.PositionFilter{}, assets.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range positions {
		path := "/positions/" + q.ID.String()
		switch q.Code {
		case "DUN-2/WRP-P", "DUN-1/TOP2", "UMB/AIR", "FER-1/RKR-P":
			pages["technician"] = append(pages["technician"], path)
		case "UMB-1/SBL-D":
			pages["technician"] = append(pages["technician"], path, path+"/facts/new", path+"/facts/new?fact=bore", path+"/facts/new?fact=media", path+"/state", path+"/photos/new")
			pages["manager"] = append(pages["manager"], path, path+"/edit", path+"/twin", path+"/isolation")
			fitted, err := assets.FittedAtPosition(ctx, h.db, access.System, q.ID, now)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range fitted {
				if f.UnitID == nil || f.SlotCode != "gearmotor" && f.SlotCode != "media" {
					continue
				}
				unit := "/units/" + f.UnitID.String()
				pages["technician"] = append(pages["technician"], unit, unit+"/edit", unit+"/move", unit+"/facts/new", path+"/swap?pick="+f.SlotID.String(), path+"/swap?fact=hub_fixing&slot="+f.SlotID.String())
				pages["owner"] = append(pages["owner"], unit)
				pages["manager"] = append(pages["manager"], "/parts/"+f.PartID.String(), "/parts/"+f.PartID.String()+"/edit")
				if f.SlotCode == "media" {
					pages["technician"] = append(pages["technician"], unit+"/sections/new")
				}
			}
		case "UMB-1/TYR-D":
			pages["technician"] = append(pages["technician"], path, path+"/survey")
			fitted, err := assets.FittedAtPosition(ctx, h.db, access.System, q.ID, now)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range fitted {
				if f.UnitID == nil {
					pages["technician"] = append(pages["technician"], path+"/fit?slot="+f.SlotID.String())
				}
			}
		}
	}
	counters, err := meters.List(ctx, h.db, access.System, meters.Filter{}, access.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range counters {
		path := "/meters/" + m.ID.String()
		switch m.Code {
		case "DUN-2/TC", "KES-1/TC", "OST/AIR/H":
			pages["technician"] = append(pages["technician"], path, path+"/read", path+"/exchange")
		case "OST-1/SBL-D/H":
			pages["manager"] = append(pages["manager"], path, path+"/formula", path+"/edit", path+"/place")
		case "UMB-1/SBL-D/H":
			pages["owner"] = append(pages["owner"], path, path+"/read")
			pages["technician"] = append(pages["technician"], path+"/read")
		}
	}
	waiting, err := meters.Doubts(ctx, h.db, access.System, nil, access.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range waiting {
		path := "/readings/" + r.ID.String()
		pages["technician"] = append(pages["technician"], path+"/explain")
		if r.Meter == "UMB-1/WRP-P/H" {
			pages["owner"] = append(pages["owner"], path+"/explain", path+"/void")
		}
	}
	accounts, err := access.Accounts(ctx, h.db, access.System, access.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, a := range accounts {
		if !seen[a.Kind] {
			path := "/people/" + a.ID.String()
			pages["manager"] = append(pages["manager"], path, path+"/disable", path+"/roles/new")
			seen[a.Kind] = true
		}
	}
	return pages
}

// Every link leads somewhere, and every page that is found so is looked at: on a phone and on
// a desk, in light and in dark.
func TestEveryPage(t *testing.T) {
	h := demoHouse(t)
	paths, roles := walked(t, h)
	pages, routes := demoPages(t, h), h.routes(t)
	for _, all := range pages {
		for _, path := range all {
			delete(paths, routeOf(routes, path))
		}
	}
	for _, route := range slices.Sorted(maps.Keys(paths)) {
		pages[roles[route]] = append(pages[roles[route]], paths[route])
	}
	e := openEyes(t)
	for role, pages := range pages {
		for _, screen := range screens {
			t.Run(cmp.Or(role, "anyone")+" on a "+screen.name, func(t *testing.T) {
				t.Parallel() // one of them looks while another waits for its page
				link := ""
				if role != "" {
					link = h.link(t, someone(t, h, role))
				}
				in := tab(t, e.root, h, link)
				run(t, in, size(screen.width, screen.height, screen.phone))
				for _, path := range pages {
					run(t, in, prefers("light"), chromedp.Navigate(h.URL+path))
					e.see(t, in, path, screen.ways()...)
				}
			})
		}
	}
}

// A form that came back with errors is a page too.
func TestAFormWithErrorsIsAccessible(t *testing.T) {
	e, g := openEyes(t), newGround(t)
	in := tab(t, e.root, g.house, g.link(t, g.manager))
	run(t, in, size(390, 844, true), chromedp.Navigate(g.URL+"/sites/new"), chromedp.Click(chromedp.CSS("form.sheet button")), chromedp.WaitVisible(chromedp.CSS(".mend")))
	if focus := eval[string](t, in, `document.activeElement.className`); focus != "mend" {
		t.Errorf("the list of what to mend has no focus: %q", focus)
	}
	e.see(t, in, "a form with errors")
}

// What a file did or would do is a page too, and so is a position with photos.
func TestPagesAfterAFileAreAccessible(t *testing.T) {
	e, s := openEyes(t), newStore(t)
	in := tab(t, e.root, s.house, s.link(t, s.manager))
	look := func(name string) {
		t.Helper()
		for _, screen := range screens {
			run(t, in, size(screen.width, screen.height, screen.phone))
			e.see(t, in, name+" on a "+screen.name, screen.ways()...)
		}
	}
	run(t, in, chromedp.Navigate(s.URL+"/positions/"+s.left.ID.String()))
	look("a position with a photo")
	send := func(base, name, file string) {
		t.Helper()
		run(t, in, chromedp.Navigate(base+"/import"))
		eval[bool](t, in, `(() => { const d = new DataTransfer(); d.items.add(new File([`+strconv.Quote(file)+`], "sheet.csv"));
			document.querySelector("input[type=file]").files = d.files; return true; })()`)
		run(t, in, chromedp.Click(chromedp.CSS("form.sheet button")), chromedp.WaitVisible(chromedp.CSS("table.book")))
		look(name)
	}
	send(s.URL, "a good file", "customer,name\nNEW,New Wash\n")
	send(s.URL, "a bad file", "customer,name\nbad code!,Wash\nFINE,\n")
	c := newCounted(t)
	in = tab(t, e.root, c.house, c.link(t, c.staff))
	send(c.URL, "readings of which one waits", "meter,at,value\nUMB-1/TC,2026-11-20 18:00,97400\nUMB-1/TC,2026-11-22 18:00,9000\n")
	run(t, in, chromedp.Click(chromedp.CSS("form.accept button")), chromedp.WaitVisible(chromedp.CSS("a[href='/counters'].button")))
	look("readings that are taken")
}

// A picture larger than the record takes is made smaller in the browser.
func TestALargePictureIsMadeSmaller(t *testing.T) {
	root := browser(t)
	s := newStore(t)
	in := tab(t, root, s.house, s.link(t, s.technician))
	run(t, in, chromedp.Navigate(s.URL+"/positions/"+s.left.ID.String()+"/photos/new"))
	small := eval[int](t, in, `(async () => {
		const c = document.createElement("canvas"); c.width = 3000; c.height = 2000;
		const p = c.getContext("2d"), noise = p.createImageData(3000, 2000);
		for (let i = 0, r = 7; i < noise.data.length; i++) { r = (r * 1103515245 + 12345) & 0x7fffffff; noise.data[i] = i % 4 == 3 ? 255 : r >> 22; }
		p.putImageData(noise, 0, 0);
		const big = await new Promise(done => c.toBlob(done, "image/jpeg", .9));
		const d = new DataTransfer(); d.items.add(new File([big], "IMG_1.JPG"));
		const f = document.querySelector("input[type=file]"); f.files = d.files;
		f.dispatchEvent(new Event("change", {bubbles: true}));
		for (let i = 0; i < 100 && f.files[0].size === big.size; i++) await new Promise(done => setTimeout(done, 100));
		return f.files[0].size < big.size ? f.files[0].size : 0;
	})()`)
	if small == 0 || small > assets.MostPhotoBytes {
		t.Fatalf("%d bytes", small)
	}
	run(t, in, chromedp.Click(chromedp.CSS("form.sheet button")), chromedp.WaitVisible(chromedp.CSS(".fits")))
	if n := s.count(t, `select count(*)::int as n from photo where width = 1600`); n != 1 {
		t.Errorf("%d photos", n)
	}
}

// Without a script, by keyboard and by an impatient double click.
func TestWithoutAScript(t *testing.T) {
	root := browser(t)
	g := newGround(t)
	for _, script := range []bool{false, true} {
		in := tab(t, root, g.house, "")
		run(t, in, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !script})
			return err
		}), size(390, 844, true), chromedp.Navigate(g.URL+g.link(t, g.technician)))
		path := g.URL + "/positions/" + g.right.ID.String()
		before := g.count(t, `select count(*)::int as n from position_fact`)
		run(t, in, chromedp.Navigate(path), chromedp.Click(chromedp.CSS(`a[href$="fact=media"]`)), chromedp.WaitVisible(chromedp.CSS("form.sheet")),
			chromedp.Click(chromedp.CSS(`input[value="foam"]`)), chromedp.Click(chromedp.CSS(`input[value="seen"]`)),
			chromedp.DoubleClick(chromedp.CSS("form.sheet button")), chromedp.WaitVisible(chromedp.CSS(".facts")))
		shown, err := chromedp.Run(in, chromedp.Text(chromedp.CSS(".facts .value")))
		if err != nil || shown != "foam" {
			t.Errorf("script %v: shows %q, %v", script, shown, err)
		}
		if n := g.count(t, `select count(*)::int as n from position_fact`) - before; n != 1 {
			t.Errorf("script %v: a double click recorded it %d times", script, n)
		}
		g.withdrawAll(t)
	}

	in := tab(t, root, g.house, g.link(t, g.technician))
	run(t, in, chromedp.Navigate(g.URL+"/sites"), chromedp.KeyEvent("\t"))
	if focus := eval[string](t, in, `document.activeElement.className`); focus != "skip" {
		t.Errorf("the first stop of the keyboard is %q", focus)
	}
	run(t, in, chromedp.KeyEvent("\r"))
	if focus := eval[string](t, in, `document.activeElement.id`); focus != "main" {
		t.Errorf("the skip leads to %q", focus)
	}
}

func (g *ground) withdrawAll(t *testing.T) {
	t.Helper()
	facts, err := assets.Facts(ctx, g.db, access.System, g.right.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range facts {
		if f.WithdrawnAt == nil {
			values := g.asTech.form("/positions/" + g.right.ID.String() + "/facts/" + f.ID.String() + "/withdraw")
			values.Set("reason", "next round")
			if got := g.asTech.post("/positions/"+g.right.ID.String()+"/facts/"+f.ID.String()+"/withdraw", values); got.status != http.StatusSeeOther {
				t.Fatal(got.status)
			}
		}
	}
}

// On a phone without a script: a technician types a value that falls, the wheel
// of tenths apart, is asked, says that it rolled over, and the total goes on.
func TestAFallingValueOnAPhone(t *testing.T) {
	root := browser(t)
	c := newCounted(t)
	write(t, c.db, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, access.System, now, []meters.NewReading{{MeterID: c.tunnel.ID, At: now.AddDate(0, 0, -1), Value: "98500"}})
	})
	in := tab(t, root, c.house, "")
	run(t, in, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}), size(390, 844, true), chromedp.Navigate(c.URL+c.link(t, c.technician)))
	c.house.now = now.AddDate(0, 0, 6)
	run(t, in, chromedp.Navigate(c.URL+"/sites/"+c.site.ID.String()+"/counters"), chromedp.Click(chromedp.CSS(`a[href$="`+at(c.tunnel)+`"]`)), chromedp.Click(chromedp.CSS(`a[href$="/read"]`)),
		chromedp.SendKeys(chromedp.CSS("#f-value"), "118"), chromedp.Click(chromedp.CSS("form.sheet button")), chromedp.WaitVisible(chromedp.CSS(`input[value="rolled_over"]`)))
	run(t, in, chromedp.Click(chromedp.CSS(`input[value="rolled_over"]`)), chromedp.Click(chromedp.CSS("form.sheet button")), chromedp.WaitVisible(chromedp.CSS(".events")))
	said, err := chromedp.Run(in, chromedp.Text(chromedp.CSS(".page-head .lead")))
	if err != nil || !strings.Contains(said, "100,118 vehicles") || !strings.Contains(said, "it showed 118 vehicles") {
		t.Errorf("%q %v", said, err)
	}
}
