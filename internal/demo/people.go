package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb"
)

// The organisation that keeps the register; its people belong to no customer.
const (
	distributor       = "Marrowgate Wash Service"
	distributorDomain = "marrowgate.example"
)

// login gives a sign-in name: "imre.vasko-lind@marrowgate.example".
func (p personRow) login(customers []customerRow) string {
	domain := distributorDomain
	for _, c := range customers {
		if c.Name == p.Organisation {
			domain = c.Domain
		}
	}
	return strings.ReplaceAll(strings.ToLower(p.Name), " ", ".") + "@" + domain
}

// addPeople adds whoever signs in. Nobody has a password: a visitor comes in by
// a link. Which role fits whom, and why, stands in grants.csv; two of them are
// not plain. The dispatcher is a manager, since to plan visits is among the
// rights of no smaller role. A site manager is site staff, narrowed to the own
// sites: the owner role would show prices and every site of the customer.
func (l *loader) addPeople() error {
	l.actors = map[string]uuid.UUID{}
	byCode := map[string]uuid.UUID{}
	for _, c := range l.customers {
		byCode[c.Code] = c.ID
	}
	for _, p := range l.people {
		var grants []access.NewGrant
		for _, g := range l.grants {
			if g.Person != p.ID {
				continue
			}
			grant := access.NewGrant{Role: g.Role}
			if id, known := byCode[g.Customer]; known {
				grant.CustomerID = &id
			}
			if site, known := l.sites[g.Site]; known {
				grant.SiteID = &site.ID
			}
			grants = append(grants, grant)
		}
		if len(grants) == 0 {
			continue
		}
		in := access.NewPerson{Name: p.Name, Login: p.login(l.scenario.customers), Grants: grants}
		if c, known := l.customers[p.Organisation]; known {
			in.CustomerID = &c.ID
		}
		added, err := access.AddPerson(l.tx, access.System, l.joined[p.Organisation], in)
		if err != nil {
			return fmt.Errorf("%s: %w", p.ID, err)
		}
		l.actors[p.ID] = added.ID
		if err := l.addSkills(p, added.ID); err != nil {
			return fmt.Errorf("%s: %w", p.ID, err)
		}
	}
	return nil
}

// addSkills records what shows the skills of the distributor's people. Whoever works at
// the machines is authorised to isolate them.
func (l *loader) addSkills(p personRow, actor uuid.UUID) error {
	skills := strings.FieldsFunc(p.Skills, func(r rune) bool { return r == ';' })
	if p.Organisation != distributor {
		return nil
	}
	if slices.ContainsFunc(skills, func(s string) bool { return s == "T1" || s == "T2" || s == "EL" }) {
		skills = append(skills, "AU")
	}
	shown := map[string]string{"EL": "state licence, invented number 40-1187", "AU": "walked through the energy control of each site"}
	for _, s := range skills {
		in := access.NewEvidence{Skill: strings.TrimSpace(s), Evidence: shown[s], IssuedOn: l.joined[distributor].Format(time.DateOnly)}
		if in.Evidence == "" {
			in.Evidence = "signed off by the service manager after a supervised job"
		}
		if _, err := access.AddEvidence(l.tx, access.System, l.joined[distributor], actor, in); err != nil {
			return err
		}
	}
	return nil
}

// addGateways adds the counters that report by themselves; Pellhaven reads its
// meters on paper.
func (l *loader) addGateways() error {
	for _, g := range l.gateways {
		c, site := l.clocks[g.Site], l.sites[g.Site]
		added, err := access.AddProgram(l.tx, access.System, later(c.start, c.began), g.Name, []access.NewGrant{{Role: "gateway", SiteID: &site.ID}})
		if err != nil {
			return fmt.Errorf("%s: %w", g.Name, err)
		}
		l.actors[g.Site] = added.ID
	}
	return nil
}

// Visitor is somebody as whom a visitor of the demo may look around.
type Visitor struct {
	Role string
	Name string
	Sees string // what there is to see, in a few words
	Link string // the secret that signs them in; the caller makes the address
}

// who may be looked around as, and what is told of it
var visitors = []struct{ person, role, sees string }{
	{"P01", "Service manager", "every site, the people and the audit trail"},
	{"P02", "Parts clerk", "every site with the distributor's own notes"},
	{"P03", "Technician", "every site; records what is found there"},
	{"P10", "Site owner", "the three sites of Hadrelle Wash Group, without internal notes"},
	{"P11", "Site staff", "Umberlea Express and Ferrowick Gate only"},
}

// linkLasts is how long a visitor's link signs in.
const linkLasts = 24 * time.Hour

// Visitors makes links that sign in as the service manager, the parts clerk, a
// technician, an owner and site staff, valid for a day. Links made before end.
func Visitors(ctx context.Context, db *pgdb.DB, now time.Time) ([]Visitor, error) {
	s, err := readScenario()
	if err != nil {
		return nil, fmt.Errorf("invite visitors: %w", err)
	}
	accounts, err := access.Accounts(ctx, db, access.System, assets.Page{Limit: 1000})
	if err != nil {
		return nil, err
	}
	made := make([]Visitor, len(visitors))
	err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		for i, v := range visitors {
			p := s.people[slices.IndexFunc(s.people, func(p personRow) bool { return p.ID == v.person })]
			login := p.login(s.customers)
			at := slices.IndexFunc(accounts, func(a access.Account) bool { return a.Login == login })
			if at < 0 {
				return fmt.Errorf("invite visitors: nobody signs in as %s; load the demo first", login)
			}
			secret, err := access.MakeLink(tx, now, access.Demo, &accounts[at].ID, linkLasts)
			if err != nil {
				return err
			}
			made[i] = Visitor{Role: v.role, Name: accounts[at].Name, Sees: v.sees, Link: secret}
		}
		return nil
	})
	return made, err
}

// visitorsProgram is the program whose token a visitor tries the API with.
const visitorsProgram = "A visitor's program"

// Key gives a token with a manager's rights for trying the API, valid for a day.
func Key(ctx context.Context, db *pgdb.DB, now time.Time) (string, error) {
	accounts, err := access.Accounts(ctx, db, access.System, assets.Page{Limit: 1000})
	if err != nil {
		return "", err
	}
	var secret string
	err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		at := slices.IndexFunc(accounts, func(a access.Account) bool { return a.Kind == "program" && a.Name == visitorsProgram })
		var program access.Account
		if at >= 0 {
			program = accounts[at]
		} else if program, err = access.AddProgram(tx, access.System, now, visitorsProgram, []access.NewGrant{{Role: "manager"}}); err != nil {
			return err
		}
		_, secret, err = access.GiveToken(tx, access.System, now, program.ID, now.Add(linkLasts))
		return err
	})
	return secret, err
}
