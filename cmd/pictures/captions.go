package main

import (
	"fmt"
	"strings"

	"spindlebook/cmd/internal/figures"
)

// captions says what each picture shows, in the order of the README.
var captions = []struct{ name, says string }{
	{"sign-in", "Sign in"},
	{"set-up", "The first manager, by the one-time link"},
	{"password", "Choose a password, by a link"},
	{"overview-manager", "Overview of all sites"},
	{"overview-owner", "An owner's overview"},
	{"find", "Find by tag, serial, part or place"},
	{"find-nothing", "Nothing found, and what to try"},
	{"sites", "Sites"},
	{"site", "A site"},
	{"site-two-lines", "A site with two lines"},
	{"site-owner", "A site as its owner sees it"},
	{"site-fitted", "What is fitted at a site"},
	{"site-findings", "What does not agree or is not known"},
	{"site-findings-owner", "The findings as the owner sees them"},
	{"site-survey", "The survey that closes the gaps"},
	{"site-counters", "The counters of a site"},
	{"site-counters-owner", "The counters as the owner sees them"},
	{"site-due", "What is due at a site, the worst first"},
	{"site-due-owner", "What is due, as the owner sees it"},
	{"due", "One piece of planned work: why and since when"},
	{"due-override", "Another interval at one thing"},
	{"task", "A task"},
	{"task-skip", "Put a task off"},
	{"round", "The round of the site's own staff"},
	{"ahead", "The work of the weeks to come"},
	{"programme", "The programme"},
	{"plan", "A plan: when, where, and why not elsewhere"},
	{"plan-draft", "Write a version of a plan"},
	{"procedure", "A procedure"},
	{"procedure-draft", "Write a version of a procedure"},
	{"counters-round", "Read all counters of a site, one after another"},
	{"counters-compare", "Two counters of one thing"},
	{"counters-doubts", "Readings to explain"},
	{"counters-quiet", "Quiet counters"},
	{"counters-held", "How forecasts held"},
	{"meter", "A counter of vehicles"},
	{"meter-hours", "An hour meter that was exchanged"},
	{"meter-computed", "Hours that are computed from vehicles"},
	{"meter-read", "Read a counter"},
	{"reading-explain", "What is behind a reading that does not fit"},
	{"reading-correct", "Correct a reading"},
	{"reading-void", "Void a reading"},
	{"reading-distrust", "A counter that is not to be relied on"},
	{"meter-exchange", "A counter was exchanged or set back"},
	{"meter-new", "Add a counter"},
	{"meter-edit", "Edit a counter"},
	{"meter-place", "A counter counts something else now"},
	{"meter-formula", "Say how it is computed"},
	{"regime-new", "The past says little any more"},
	{"share-new", "Say how many vehicles use a brush"},
	{"site-new", "Add a site"},
	{"site-edit", "Edit a site"},
	{"line-new", "Add a line"},
	{"position-new", "Add a position"},
	{"blackout-new", "Record a blackout"},
	{"note-new", "Write a note"},
	{"visits", "Visits"},
	{"visits-proposed", "Visits that the weeks to come need, and what they save"},
	{"visit", "A visit: can it go, and what is missing"},
	{"visit-owner", "The visit as the owner sees it"},
	{"visit-decide", "Decide that it goes, or not"},
	{"visit-end", "A visit ends early"},
	{"today", "A technician's day"},
	{"van", "Check the van for the whole day"},
	{"van-load", "Load what is missing"},
	{"jobs", "Job cards"},
	{"job", "A job's card at the machine"},
	{"job-readings", "Read the counters on a card"},
	{"job-sign", "Sign a card off"},
	{"faults", "Faults"},
	{"fault", "A fault"},
	{"fault-new", "Report a fault"},
	{"stock-van", "What lies in a technician's van"},
	{"stock-all", "What lies where"},
	{"stock-short", "Where less lies than should"},
	{"stock-withdrawn", "Withdrawn parts that still lie somewhere"},
	{"stock-receive", "Receive what came without an order"},
	{"stock-wanted", "What visits still need, by the last day for an order"},
	{"stock-ledger", "What was moved"},
	{"stock-lists", "Lists about stock, in and out"},
	{"orders", "Orders, and what is late"},
	{"order-new", "Draft an order"},
	{"kits", "Kits that are packed, and how many could be built"},
	{"counts", "Counts"},
	{"count-new", "Count a place"},
	{"differences", "Where record and shelf disagree"},
	{"claims", "What is set aside and promised"},
	{"claim-new", "Promise a part to work"},
	{"returns", "Cores and warranty, by the days that are left"},
	{"core-new", "A deposit was paid"},
	{"warranty-new", "A warranty runs"},
	{"fit-rules", "The rules of fit"},
	{"position", "A brush"},
	{"position-owner", "The brush as the owner sees it"},
	{"position-wraparound", "A wraparound"},
	{"position-top", "A top brush"},
	{"position-unknown", "A brush of which little is known"},
	{"position-survey", "Answer the survey at a position"},
	{"swap-which", "Swap: the brush alone or its twin, too"},
	{"swap", "Swap what is fitted"},
	{"fit", "Record what was found fitted"},
	{"fact-which", "Record a fact: which"},
	{"fact-new", "Record a fact: its value"},
	{"photo-new", "Add a photo"},
	{"state-change", "Change the state"},
	{"units", "Units"},
	{"unit", "A gearmotor"},
	{"unit-owner", "The gearmotor as the owner sees it"},
	{"unit-media", "A media set"},
	{"unit-new", "Add a unit"},
	{"unit-edit", "Edit a unit"},
	{"unit-move", "Move a unit"},
	{"unit-fact", "Record a fact of a unit"},
	{"section-new", "Replace a section of a media set"},
	{"parts", "Parts"},
	{"part", "A part"},
	{"parts-found", "Parts found by a thread"},
	{"takes-which", "Which work a list is made for"},
	{"takes", "What a gearmotor swap takes at one brush"},
	{"takes-check", "A list with lines to be checked"},
	{"labels", "Labels of a site"},
	{"part-new", "Add a part"},
	{"locations", "Where stock lies"},
	{"location-edit", "Edit a place where stock lies"},
	{"import", "Import and export"},
	{"customers", "Customers"},
	{"customer", "A customer"},
	{"customer-new", "Add a customer"},
	{"people", "People and programs"},
	{"person", "A person"},
	{"program", "A program"},
	{"invite", "Invite somebody"},
	{"trail", "The audit trail"},
	{"trail-site", "The trail of a site"},
	{"account", "One's own account"},
	{"calendar-new", "An address for one's own calendar"},
	{"letters", "Daily letters"},
	{"account-units", "In which units one reads"},
	{"drawings", "Every drawing in all its states"},
	{"problems", "What problems mean"},
	{"reference", "The API reference"},
	{"not-found", "Nothing at this address"},
}

// writeCaptions lists every picture in the README, so that a new page cannot
// be forgotten there.
func writeCaptions(shots []shot) error {
	taken := map[string]bool{}
	for _, s := range shots {
		taken[s.name] = true
	}
	var b strings.Builder
	b.WriteByte('\n')
	for _, c := range captions {
		if !taken[c.name] {
			return fmt.Errorf("no page is called %s", c.name)
		}
		delete(taken, c.name)
		fmt.Fprintf(&b, "**%s**\n\n![%s](docs/pictures/%s-desk-light.png)\n\n", c.says, c.says, c.name)
	}
	for name := range taken {
		return fmt.Errorf("captions.go does not say what %s shows", name)
	}
	for _, name := range printed {
		fmt.Fprintf(&b, "**On paper: %s**\n\n![%s on paper](docs/pictures/%s-paper.png)\n\n", name, name, name)
	}
	return figures.Write("README.md", "pictures", b.String())
}
