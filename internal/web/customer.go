package web

import (
	"net/url"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
)

type customerList struct {
	Customers []assets.CustomerOverview
	More      string
	Later     bool
	Keep      bool
}

func (p *pages) customers(v visit) error {
	l := customerList{Later: v.c.Query("after") != "", Keep: v.may(access.KeepRegister)}
	var err error
	l.Customers, err = assets.CustomerOverviews(v.ctx, p.db, v.who, assets.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(l.Customers) > perPage {
		l.Customers = l.Customers[:perPage]
		l.More = "/customers?after=" + url.QueryEscape(l.Customers[perPage-1].Code)
	}
	return p.ok(v, "customers", "Customers", l)
}

type customerPage struct {
	assets.Customer
	Sites []slip
	More  string
	Keep  bool
	Admin bool
}

func (p *pages) customer(v visit) error {
	id, err := idOf(v, "id", "customer")
	if err != nil {
		return err
	}
	g := customerPage{Keep: v.may(access.KeepRegister), Admin: v.may(access.Administer)}
	if g.Customer, err = assets.OneCustomer(v.ctx, p.db, v.who, id); err != nil {
		return err
	}
	sites, err := assets.Overviews(v.ctx, p.db, v.who, v.now, assets.OverviewFilter{CustomerID: &id}, assets.Page{Limit: homeSites + 1})
	if err != nil {
		return err
	}
	if len(sites) > homeSites {
		sites = sites[:homeSites]
		g.More = "/sites?customer=" + id.String() + "&after=" + url.QueryEscape(sites[homeSites-1].Code)
	}
	if g.Sites, err = p.slips(v, sites); err != nil {
		return err
	}
	return p.ok(v, "customer", g.Name, g)
}

func customerFields() []*field {
	return []*field{
		{Name: "name", Label: "Name"},
		{Name: "code", Label: "Code", Most: 16, Hint: "1 to 16 capital letters, digits and hyphens."},
		{Name: "needs_order_number", Label: "A bill needs the number of an order of theirs", Kind: "check", Optional: true},
	}
}

func (s *sheet) customer() assets.CustomerEdit {
	return assets.CustomerEdit{Code: s.get("code"), Name: s.get("name"), NeedsOrderNumber: s.checked("needs_order_number")}
}

func (p *pages) newCustomerSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	return &sheet{Title: "Add a customer", Verb: "Add the customer", Cancel: "/customers", Crumbs: []crumb{{"/customers", "Customers"}}, Fields: customerFields()}, nil
}

func (p *pages) addCustomer(v visit, s *sheet) (string, error) {
	made, err := once(p, v, s, func(tx *gorm.DB) (assets.Customer, error) { return assets.AddCustomer(tx, v.who, v.now, s.customer()) })
	return "/customers/" + made.ID.String(), err
}

func (p *pages) customerSheet(v visit) (*sheet, error) {
	id, err := idOf(v, "id", "customer")
	if err != nil {
		return nil, err
	}
	c, err := assets.OneCustomer(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(access.KeepRegister)
	}
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the customer", Over: c.Code + " " + c.Name, Verb: "Keep these details", Cancel: "/customers/" + id.String(),
		Crumbs: []crumb{{"/customers", "Customers"}, {"/customers/" + id.String(), c.Name}}, Version: c.Version, about: c, Fields: customerFields()}
	s.fill(customerValues(c))
	return s, nil
}

func customerValues(c assets.Customer) map[string]string {
	return map[string]string{"name": c.Name, "code": c.Code, "needs_order_number": map[bool]string{true: "yes"}[c.NeedsOrderNumber]}
}

func (p *pages) editCustomer(v visit, s *sheet) (string, error) {
	c := s.about.(assets.Customer)
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.EditCustomer(tx, v.who, c.ID, s.Version, s.customer())
	})
	if fault.KindOf(err) == fault.Stale {
		s.compare(customerValues(c), c.Version)
	}
	return "/customers/" + c.ID.String(), err
}
