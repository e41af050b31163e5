package web

import (
	"strings"

	"spindlebook/internal/assets"
)

// mostHits is how many things the find box shows; who gets more types more.
const mostHits = 60

type findPage struct {
	Text   string
	Groups []hitGroup
	More   bool
	N      int
}

type hitGroup struct {
	Name string
	Hits []hitRow
}

type hitRow struct {
	assets.Hit
	Path string
}

var hitKinds = []struct{ kind, name string }{{"site", "Sites"}, {"position", "Positions"}, {"unit", "Units"}, {"part", "Parts"}}

// find answers the box that stands on every page. One hit needs no list.
func (p *pages) find(v visit) error {
	g := findPage{Text: strings.TrimSpace(v.c.Query("text"))}
	if r := []rune(g.Text); len(r) > 100 {
		g.Text = string(r[:100])
	}
	g.Text = strings.ToValidUTF8(strings.ReplaceAll(g.Text, "\x00", ""), "")
	hits, err := assets.Find(v.ctx, p.db, v.who, g.Text, mostHits+1)
	if err != nil {
		return err
	}
	if len(hits) > mostHits {
		hits, g.More = hits[:mostHits], true
	}
	// one thing may match by its code and by its name
	seen := map[string]bool{}
	for _, k := range hitKinds {
		group := hitGroup{Name: k.name}
		for _, h := range hits {
			if h.Kind == k.kind && !seen[h.Kind+h.ID.String()] {
				seen[h.Kind+h.ID.String()] = true
				group.Hits = append(group.Hits, hitRow{h, pathOf(h.Kind, h.ID.String())})
			}
		}
		if len(group.Hits) > 0 {
			g.Groups, g.N = append(g.Groups, group), g.N+len(group.Hits)
		}
	}
	if g.N == 1 && !g.More {
		return goTo(v, g.Groups[0].Hits[0].Path)
	}
	return p.ok(v, "find", "Find", g)
}
