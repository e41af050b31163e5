package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
)

type peopleList struct {
	People, Programs []accountRow
	More             string
	Later            bool
}

type accountRow struct {
	access.Account
	Of     string // the organisation
	Grants []grantRow
}

type grantRow struct {
	access.Grant
	Words string
}

func (p *pages) people(v visit) error {
	l := peopleList{Later: v.c.Query("after") != ""}
	all, err := access.Accounts(v.ctx, p.db, v.who, access.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		l.More = "/people?after=" + url.QueryEscape(all[perPage-1].ID.String())
	}
	rows, err := p.accountRows(v, all)
	if err != nil {
		return err
	}
	for _, r := range rows {
		if r.Kind == "person" {
			l.People = append(l.People, r)
		} else {
			l.Programs = append(l.Programs, r)
		}
	}
	return p.ok(v, "people", "People", l)
}

// accountRows puts names to the customers and sites of accounts, in one statement.
func (p *pages) accountRows(v visit, all []access.Account) ([]accountRow, error) {
	var ids []uuid.UUID
	add := func(id *uuid.UUID) {
		if id != nil {
			ids = append(ids, *id)
		}
	}
	for _, a := range all {
		add(a.CustomerID)
		for _, g := range a.Grants {
			add(g.CustomerID)
			add(g.SiteID)
		}
	}
	names, err := p.names(v, ids)
	if err != nil {
		return nil, err
	}
	rows := make([]accountRow, len(all))
	for i, a := range all {
		rows[i] = accountRow{Account: a, Of: "the distributor"}
		if a.CustomerID != nil {
			rows[i].Of = names[*a.CustomerID].Name
		}
		for _, g := range a.Grants {
			words := say(g.Role)
			switch {
			case g.SiteID != nil:
				words += " at " + names[*g.SiteID].Name
			case g.CustomerID != nil:
				words += " of " + names[*g.CustomerID].Name
			}
			rows[i].Grants = append(rows[i].Grants, grantRow{g, words})
		}
	}
	return rows, nil
}

func (p *pages) names(v visit, ids []uuid.UUID) (map[uuid.UUID]assets.Named, error) {
	found, err := assets.Names(v.ctx, p.db, v.who, ids)
	byID := map[uuid.UUID]assets.Named{}
	for _, n := range found {
		byID[n.ID] = n
	}
	return byID, err
}

type personPage struct {
	accountRow
	Clock  clock
	Tokens []tokenRow
	Self   bool
	// A secret that was made in this very request: it is shown here and nowhere else.
	Secret *secret
}

type tokenRow struct {
	access.Token
	Over bool
}

// secret is told once.
type secret struct {
	Title, Text string
	Value       string // "" where it was told before
	Again       string // where a new one is made
}

func (p *pages) person(v visit) error {
	id, err := idOf(v, "id", "account")
	if err != nil {
		return err
	}
	return p.showPerson(v, http.StatusOK, id, nil)
}

func (p *pages) showPerson(v visit, status int, id uuid.UUID, told *secret) error {
	a, err := access.OneAccount(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	rows, err := p.accountRows(v, []access.Account{a})
	if err != nil {
		return err
	}
	g := personPage{accountRow: rows[0], Clock: clock{v.now, time.UTC}, Self: id == v.who.ID, Secret: told}
	if a.Kind == "program" {
		tokens, err := access.Tokens(v.ctx, p.db, v.who, id)
		if err != nil {
			return err
		}
		for _, t := range slices.Backward(tokens) {
			g.Tokens = append(g.Tokens, tokenRow{t, t.RevokedAt != nil || !t.ExpiresAt.After(v.now)})
		}
	}
	return p.show(v, status, "person", a.Name, g)
}

var peopleCrumbs = []crumb{{"/people", "People"}}

// roleFields ask for a role and where it holds.
func (p *pages) roleFields(v visit, kinds ...string) ([]*field, error) {
	roles, err := access.Roles(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	customers, err := p.customerOptions(v)
	if err != nil {
		return nil, err
	}
	sites, err := p.siteOptions(v)
	if err != nil {
		return nil, err
	}
	scopes := map[string]string{"distributor": "everywhere", "customer": "needs a customer", "site": "needs a site"}
	var offered []option
	for _, r := range roles {
		if slices.Contains(kinds, r.Scope) {
			offered = append(offered, option{r.Code, r.Name + ", " + scopes[r.Scope]})
		}
	}
	return []*field{
		{Name: "role", Label: "Role", Kind: "radio", Options: offered},
		{Name: "customer_id", Label: "Customer", Kind: "choice", Options: append([]option{{"", "None: the distributor"}}, customers...), Optional: true,
			Hint: "For owners and site staff."},
		{Name: "site_id", Label: "Only at the site", Short: "The site", Kind: "choice", Options: append([]option{{"", "Every site of the customer"}}, sites...), Optional: true,
			Hint: "Narrows an owner or site staff to one site; a gateway stands at one."},
	}, nil
}

func (s *sheet) grant() access.NewGrant {
	return access.NewGrant{Role: s.get("role"), CustomerID: s.id("customer_id"), SiteID: s.id("site_id")}
}

func (p *pages) inviteSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.Administer); err != nil {
		return nil, err
	}
	roles, err := p.roleFields(v, "distributor", "customer")
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Invite somebody", Verb: "Make their link", Cancel: "/people", Crumbs: peopleCrumbs,
		Lead: "They choose their own password by a link that you hand them. It is shown once and works once, within a week.",
		Fields: append([]*field{
			{Name: "name", Label: "Name"},
			{Name: "login", Label: "Sign-in name", Most: 254, Hint: "Such as their e-mail address; small letters, no spaces."},
		}, roles...)}, nil
}

// made is what a form about an account leaves. Its secret is not kept with the
// answer: sent again, the form finds everything done and the secret told.
type made struct {
	ID     uuid.UUID
	Name   string
	secret string
	ends   time.Time
}

func (p *pages) invite(v visit, s *sheet) (string, error) {
	g := s.grant()
	if len(s.Mend) > 0 {
		return "", nil
	}
	m, err := once(p, v, s, func(tx *gorm.DB) (made, error) {
		a, err := access.AddPerson(tx, v.who, v.now, access.NewPerson{Name: s.get("name"), Login: s.get("login"), CustomerID: g.CustomerID, Grants: []access.NewGrant{g}})
		if err != nil {
			return made{}, err
		}
		secret, ends, err := access.LinkFor(tx, v.who, v.now, a.ID)
		return made{ID: a.ID, Name: a.Name, secret: secret, ends: ends}, err
	})
	if err != nil {
		return "", err
	}
	return "", p.tellLink(v, m)
}

// tellLink shows a link to the one who made it, this once.
func (p *pages) tellLink(v visit, m made) error {
	t := &secret{Title: "Link for " + m.Name, Again: "/people/" + m.ID.String() + "/link"}
	if m.secret != "" {
		t.Value = p.door.Public("/enter/" + m.secret)
		t.Text = "Hand it to " + m.Name + " by a way that you trust. It is shown here once, works once, and ends on " +
			clock{v.now, time.UTC}.Moment(m.ends) + " UTC."
	}
	return p.showPerson(v, http.StatusOK, m.ID, t)
}

// accountFor reads the account that a form is about.
func (p *pages) accountFor(v visit) (access.Account, []crumb, error) {
	id, err := idOf(v, "id", "account")
	if err != nil {
		return access.Account{}, nil, err
	}
	a, err := access.OneAccount(v.ctx, p.db, v.who, id)
	return a, []crumb{{"/people", "People"}, {"/people/" + id.String(), a.Name}}, err
}

func (p *pages) linkSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Make a new link", Over: a.Name, Verb: "Make the link", Cancel: crumbs[1].Path, Crumbs: crumbs, about: a,
		Lead: "By it " + a.Name + " chooses a new password. Links made before no longer work. The present password holds until a new one is chosen."}, nil
}

func (p *pages) makeLink(v visit, s *sheet) (string, error) {
	a := s.about.(access.Account)
	m, err := once(p, v, s, func(tx *gorm.DB) (made, error) {
		secret, ends, err := access.LinkFor(tx, v.who, v.now, a.ID)
		return made{ID: a.ID, Name: a.Name, secret: secret, ends: ends}, err
	})
	if err != nil {
		return "", err
	}
	return "", p.tellLink(v, m)
}

func (p *pages) newProgramSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.Administer); err != nil {
		return nil, err
	}
	roles, err := p.roleFields(v, "distributor", "customer", "site")
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Add a program", Verb: "Add the program", Cancel: "/people", Crumbs: peopleCrumbs,
		Lead:   "Something that calls the API with a token, such as a counter gateway at a site.",
		Fields: append([]*field{{Name: "name", Label: "Name", Hint: "So that people recognise it in the trail."}}, roles...)}, nil
}

func (p *pages) addProgram(v visit, s *sheet) (string, error) {
	g := s.grant()
	if len(s.Mend) > 0 {
		return "", nil
	}
	a, err := once(p, v, s, func(tx *gorm.DB) (access.Account, error) {
		return access.AddProgram(tx, v.who, v.now, s.get("name"), []access.NewGrant{g})
	})
	return "/people/" + a.ID.String(), err
}

func (p *pages) personSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the name", Over: a.Name, Verb: "Keep this name", Cancel: crumbs[1].Path, Crumbs: crumbs, about: a, Version: a.Version,
		Fields: []*field{{Name: "name", Label: "Name"}}}
	s.fill(map[string]string{"name": a.Name})
	return s, nil
}

func (p *pages) editPerson(v visit, s *sheet) (string, error) {
	a := s.about.(access.Account)
	_, err := once(p, v, s, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, v.who, v.now, a.ID, s.Version, s.get("name"), a.Disabled)
	})
	if fault.KindOf(err) == fault.Stale {
		s.compare(map[string]string{"name": a.Name}, a.Version)
	}
	return "/people/" + a.ID.String(), err
}

func (p *pages) disableSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	lead := a.Name + " is out at once, in every browser. Everything that was recorded in this name stays."
	if a.Kind == "program" {
		lead = a.Name + " is refused at once, with every token. Everything that it recorded stays."
	}
	return &sheet{Title: "Shut the account", Over: a.Name, Verb: "Shut it", Grave: true, Cancel: crumbs[1].Path, Crumbs: crumbs, about: a, Version: a.Version, Lead: lead}, nil
}

func (p *pages) disable(v visit, s *sheet) (string, error) { return p.setDisabled(v, s, true) }

func (p *pages) enableSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Open the account again", Over: a.Name, Verb: "Open it", Cancel: crumbs[1].Path, Crumbs: crumbs, about: a, Version: a.Version,
		Lead: a.Name + " can come in again, with the roles that have not ended."}, nil
}

func (p *pages) enable(v visit, s *sheet) (string, error) { return p.setDisabled(v, s, false) }

func (p *pages) setDisabled(v visit, s *sheet, disabled bool) (string, error) {
	a := s.about.(access.Account)
	_, err := once(p, v, s, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, v.who, v.now, a.ID, s.Version, a.Name, disabled)
	})
	if fault.KindOf(err) == fault.Stale {
		s.Version = a.Version
	}
	return "/people/" + a.ID.String(), err
}

func (p *pages) roleSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	roles, err := p.roleFields(v, "distributor", "customer", "site")
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Give a role", Over: a.Name, Verb: "Give the role", Cancel: crumbs[1].Path, Crumbs: crumbs, about: a,
		Fields: append(roles, &field{Name: "ends_at", Label: "Ends on", Short: "The date", Kind: "date", Optional: true, Hint: "In UTC. It lasts until it is ended where nothing is said."})}, nil
}

func (p *pages) giveRole(v visit, s *sheet) (string, error) {
	a := s.about.(access.Account)
	g := s.grant()
	g.EndsAt = s.date("ends_at")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (access.Account, error) { return access.GiveRole(tx, v.who, v.now, a.ID, g) })
	return "/people/" + a.ID.String(), err
}

func (p *pages) endRoleSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	id, err := idOf(v, "grant", "role")
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "End a role", Over: a.Name, Verb: "End the role", Grave: true, Cancel: crumbs[1].Path, Crumbs: crumbs, about: a}
	rows, err := p.accountRows(v, []access.Account{a})
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(rows[0].Grants, func(g grantRow) bool { return g.ID == id })
	switch {
	case i >= 0:
		s.Lead = rows[0].Grants[i].Words + ". It ends now; what was done in it stays."
	case v.c.Request.Method == http.MethodGet: // sent again it may have ended by the first
		return nil, fault.Missing("role", id.String())
	}
	return s, nil
}

func (p *pages) endRole(v visit, s *sheet) (string, error) {
	a := s.about.(access.Account)
	grant, err := idOf(v, "grant", "role")
	if err != nil {
		return "", err
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (access.Account, error) { return access.EndRole(tx, v.who, v.now, a.ID, grant) })
	return "/people/" + a.ID.String(), err
}

func (p *pages) tokenSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Make a token", Over: a.Name, Verb: "Make the token", Cancel: crumbs[1].Path, Crumbs: crumbs, about: a,
		Lead:   "The program sends it with each request. It is shown once; at most two years from now it ends.",
		Fields: []*field{{Name: "expires_at", Label: "Ends on", Short: "The date", Kind: "date", Hint: "In UTC."}}}
	s.fill(map[string]string{"expires_at": v.now.AddDate(1, 0, 0).UTC().Format(time.DateOnly)})
	return s, nil
}

func (p *pages) giveToken(v visit, s *sheet) (string, error) {
	a := s.about.(access.Account)
	ends := s.date("expires_at")
	if len(s.Mend) > 0 {
		return "", nil
	}
	m, err := once(p, v, s, func(tx *gorm.DB) (made, error) {
		_, value, err := access.GiveToken(tx, v.who, v.now, a.ID, *ends)
		return made{ID: a.ID, Name: a.Name, secret: value}, err
	})
	if err != nil {
		return "", err
	}
	t := &secret{Title: "Token for " + m.Name, Value: m.secret, Again: "/people/" + m.ID.String() + "/tokens/new"}
	if m.secret != "" {
		t.Text = "Put it into the program's settings now. It is shown here once and kept nowhere: whoever has it acts as " + m.Name + "."
	}
	return "", p.showPerson(v, http.StatusOK, m.ID, t)
}

func (p *pages) revokeSheet(v visit) (*sheet, error) {
	a, crumbs, err := p.accountFor(v)
	if err != nil {
		return nil, err
	}
	id, err := idOf(v, "token", "token")
	if err != nil {
		return nil, err
	}
	all, err := access.Tokens(v.ctx, p.db, v.who, a.ID)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(all, func(t access.Token) bool { return t.ID == id })
	if i < 0 {
		return nil, fault.Missing("token", id.String())
	}
	c := clock{v.now, time.UTC}
	return &sheet{Title: "Revoke a token", Over: a.Name, Verb: "Revoke it", Grave: true, Cancel: crumbs[1].Path, Crumbs: crumbs, about: all[i],
		Lead: strings.TrimSpace("Made on " + c.Day(all[i].CreatedAt) + ". Requests that show it are refused from now on.")}, nil
}

func (p *pages) revokeToken(v visit, s *sheet) (string, error) {
	t := s.about.(access.Token)
	_, err := once(p, v, s, func(tx *gorm.DB) (access.Token, error) {
		return access.RevokeToken(tx, v.who, v.now, t.ActorID, t.ID)
	})
	return "/people/" + t.ActorID.String(), err
}
