package web_test

import (
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"golang.org/x/net/html"

	"spindlebook/internal/access"
	"spindlebook/internal/demo"
)

// someone gives the id of the demo's first account with a role.
func someone(t testing.TB, h *house, role string) uuid.UUID {
	t.Helper()
	all, err := access.Accounts(ctx, h.db, access.System, access.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range all {
		for _, g := range a.Grants {
			if a.Kind == "person" && g.Role == role {
				return a.ID
			}
		}
	}
	t.Fatalf("the demo has no %s", role)
	return uuid.Nil
}

// ids are the keys and days in links: pages of days lead to the next one without end.
var ids = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f-]{27}|[0-9]{4}-[0-9]{2}-[0-9]{2}`)

// follow visits what links lead to, from the overview on: of each kind of page at most so
// many, since the demo has hundreds of positions, and what goes wrong goes wrong on one of a few.
func follow(t *testing.T, v *visitor, ofEach int, visit func(path string, got answer)) (kinds int) {
	t.Helper()
	seen, of := map[string]bool{}, map[string]int{}
	queue := []string{"/"}
	for len(queue) > 0 {
		path := queue[0]
		queue = queue[1:]
		got := v.get(path)
		visit(path, got)
		if got.status != 200 || !isPage(got) {
			continue
		}
		for _, link := range links(t, got.body) {
			u, err := url.Parse(link)
			if err != nil || u.IsAbs() || u.Host != "" {
				t.Errorf("%s leads away, to %s", path, link)
				continue
			}
			frag := u.Fragment
			u.Fragment = ""
			if u.Path == "/reference" {
				continue // the page that the API brings
			}
			if link = u.String(); link == "" {
				if !strings.Contains(got.body, `id="`+frag+`"`) {
					t.Errorf("%s leads to %q on itself, which is not there", path, frag)
				}
				continue
			}
			kind := ids.ReplaceAllString(link, "ID")
			if seen[link] || of[kind] >= ofEach {
				continue
			}
			seen[link] = true
			of[kind]++
			queue = append(queue, link)
		}
	}
	return len(of)
}

// walked follows every link of the demo as each role, and gives of each route the first page
// that it came by, with the role that saw it. Whoever follows links arrives somewhere, and
// finds no inline code on the way.
func walked(t *testing.T, h *house) (paths, roles map[string]string) {
	t.Helper()
	if _, err := demo.Visitors(ctx, h.db, now); err != nil {
		t.Fatal(err)
	}
	routes := h.routes(t)
	order := []string{"technician", "parts_clerk", "manager", "owner", "site_staff"}
	found := make([]map[string]string, len(order))
	t.Run("links", func(t *testing.T) {
		for i, role := range order {
			found[i] = map[string]string{}
			t.Run(role, func(t *testing.T) {
				t.Parallel()
				visited := 0
				kinds := follow(t, h.as(t, someone(t, h, role)), 3, func(path string, got answer) {
					visited++
					if got.status != 200 {
						t.Errorf("%s: %d", path, got.status)
						return
					}
					if !isPage(got) {
						return
					}
					tidy(t, path, got.body)
					if route := routeOf(routes, path); found[i][route] == "" {
						found[i][route] = path
					}
				})
				t.Logf("%d pages of %d kinds, %d routes", visited, kinds, len(found[i]))
				if visited < 20 {
					t.Error("that was too short a walk")
				}
			})
		}
	})
	paths, roles = map[string]string{}, map[string]string{}
	for i, role := range order {
		for route, path := range found[i] {
			if paths[route] == "" {
				paths[route], roles[route] = path, role
			}
		}
	}
	return paths, roles
}

// routeOf gives the route by which a path is answered.
func routeOf(routes []string, path string) string {
	best := ""
	parts := strings.Split(strings.Split(path, "?")[0], "/")
	for _, r := range routes {
		is := slices.EqualFunc(strings.Split(r, "/"), parts, func(of, part string) bool { return of == part || strings.HasPrefix(of, ":") })
		if is && (best == "" || strings.Count(r, ":") < strings.Count(best, ":")) {
			best = r
		}
	}
	return best
}

// tidy holds a page against what the policy would refuse and what people and
// machines trip over: inline code and style, two things of one id, a form
// without its method.
func tidy(t *testing.T, path, body string) {
	t.Helper()
	known := map[string]bool{}
	headings := 0
	walk(parse(t, body), func(n *html.Node) {
		if n.Type != html.ElementNode {
			return
		}
		for _, a := range n.Attr {
			switch {
			case a.Key == "style", strings.HasPrefix(a.Key, "on"):
				t.Errorf("%s: inline %s", path, a.Key)
			case a.Key == "id" && known[a.Val]:
				t.Errorf("%s: the id %q stands twice", path, a.Val)
			case a.Key == "id":
				known[a.Val] = true
			case (a.Key == "src" || a.Key == "href") && strings.Contains(a.Val, "//"):
				t.Errorf("%s: from elsewhere: %s", path, a.Val)
			}
		}
		switch n.Data {
		case "style":
			t.Errorf("%s: inline style", path)
		case "script":
			if n.FirstChild != nil {
				t.Errorf("%s: inline script", path)
			}
		case "h1":
			headings++
		}
	})
	if headings != 1 {
		t.Errorf("%s: %d headings of the first order", path, headings)
	}
}
