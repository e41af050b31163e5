package web

import (
	"slices"
	"strings"

	"spindlebook/internal/access"
)

// nav is an entry of the navigation, or a tab of a page.
type nav struct {
	Path, Name string
	Here       bool
}

// place is what stands in the one row of the navigation: a page, or a question under
// which several pages lie.
type place struct {
	nav
	Pages []nav
}

// under lists the paths that lie beneath an entry of the navigation beside its own:
// they are tabs of it, or things that are found from there.
var under = map[string][]string{
	"/sites":     {"/positions", "/lines", "/points"},
	"/today":     {"/van"},
	"/visits":    {"/planning"},
	"/ahead":     {"/due", "/tasks"},
	"/programme": {"/plans", "/procedures"},
	"/counters":  {"/meters", "/readings"},
	"/jobs":      {"/locks"},
	"/stock": {"/units", "/parts", "/fit-rules", "/locations", "/orders", "/kits", "/bags", "/counts", "/differences", "/claims", "/returns", "/cores",
		"/warranties", "/import"},
}

// isAt tells whether a path lies at an entry of the navigation.
func isAt(entry, path string) bool {
	return path == entry || entry != "/" && strings.HasPrefix(path, entry+"/") ||
		slices.ContainsFunc(under[entry], func(u string) bool { return path == u || strings.HasPrefix(path, u+"/") })
}

// placesOf is the navigation of somebody who looks at a path: one row, in the order in
// which they ask. A planner begins with what presses, a technician with the own day, an
// owner with the own sites; what is one page stands there by itself, so that it takes
// one press.
func placesOf(who access.Actor, path string) []place {
	page := func(path, name string) nav { return nav{Path: path, Name: name} }
	overview, today, sites, visits := page("/", "Overview"), page("/today", "Today"), page("/sites", "Sites"), page("/visits", "Visits")
	ahead, programme, counters, faults := page("/ahead", "Work ahead"), page("/programme", "Programme"), page("/counters", "Counters"), page("/faults", "Faults")
	jobs, stock, customers := page("/jobs", "Jobs"), page("/stock", "Stock"), page("/customers", "Customers")
	var all []place
	one := func(n nav) { all = append(all, place{nav: n}) }
	several := func(name string, pages ...nav) { all = append(all, place{nav{Name: name}, pages}) }
	switch {
	case !who.May(access.SeeInternal):
		one(overview)
		one(sites)
		several("Coming", visits, ahead, programme)
		one(faults)
		one(counters)
	case who.May(access.Plan):
		one(overview)
		several("Plan", visits, ahead, programme)
		several("Work", today, jobs, faults)
		several("Places", sites, counters, customers)
		one(stock)
	case who.May(access.RecordWork):
		one(today)
		several("Work", jobs, faults, visits, ahead, programme)
		several("Places", overview, sites, counters, customers)
		one(stock)
	default:
		one(overview)
		one(stock)
		several("Work", visits, ahead, programme, faults)
		several("Places", sites, counters, customers)
	}
	if who.May(access.Administer) {
		several("House", page("/people", "People"), page("/trail", "Trail"))
	}
	for i := range all {
		all[i].Here = all[i].Path != "" && isAt(all[i].Path, path)
		for j := range all[i].Pages {
			n := &all[i].Pages[j]
			n.Here = isAt(n.Path, path)
			all[i].Here = all[i].Here || n.Here
		}
	}
	return all
}
