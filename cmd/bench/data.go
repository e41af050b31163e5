package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

var (
	//go:embed data.sql
	dataSQL string
	//go:embed units.sql
	unitsSQL string
)

// perSite is how many positions data.sql gives each site.
const perSite = 50

// data is a database with a data set in it.
type data struct {
	service, owner string
	db             *pgdb.DB
	pages          map[string][]page // by role: whose page of which site is asked for
}

// page is one page that somebody asks for: the positions of a site of theirs.
type page struct {
	who   access.Actor
	token string
	site  uuid.UUID
	unit  uuid.UUID // a gearmotor that is there, in a data set with units
	meter uuid.UUID // one of its meters, where they are read
}

const (
	asOwner   = "owner"
	asManager = "manager"
)

// pagesMost bounds how many different pages are asked for, since each is a
// script of pgbench.
const pagesMost = 40

// fill makes a database with so many sites, and the programs that will ask. L has
// no units: they would be two million.
func (b *bench) fill(ctx context.Context, at cluster.Address, name string, sites int) (*data, error) {
	began := time.Now()
	d := &data{service: at.DSN(pgdb.ServiceRole, name), owner: at.DSN(pgdb.OwnerRole, name), pages: map[string][]page{}}
	if err := prepare(ctx, at, name); err != nil {
		return nil, err
	}
	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return nil, err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	err = pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `select set_config('bench.sites', $1, true)`, fmt.Sprint(sites)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, dataSQL)
		if err == nil && sites <= medium {
			_, err = tx.Exec(ctx, unitsSQL)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("fill the data set %s: %w", name, err)
	}
	if _, err := conn.Exec(ctx, `vacuum (analyze) customer, site, ownership, line, position, position_alias, position_state, twin, slot, unit, stay`); err != nil {
		return nil, err
	}
	if d.db, err = pgdb.Open(ctx, d.service); err != nil {
		return nil, err
	}
	if err := errors.Join(d.people(ctx), d.findUnits(ctx)); err != nil {
		d.db.Close()
		return nil, err
	}
	b.say("data set %s: %s sites, %s positions, in %s", name, thousands(sites), thousands(sites*perSite), time.Since(began).Round(100*time.Millisecond))
	return d, nil
}

// people makes a manager, and an owner for each of some customers spread over
// all, and chooses the pages they ask for: the same sites for both.
func (d *data) people(ctx context.Context) error {
	type place struct{ CustomerID, SiteID uuid.UUID }
	places, err := pgdb.Read[place](ctx, d.db, access.System.ID, `
select customer_id, site_id
  from (select customer_id, site_id, row_number() over (partition by customer_id order by site_id) as nth,
               dense_rank() over (order by customer_id) as customer
          from ownership_now) as o
 where nth <= greatest(@most / (select count(*) from customer), 2)
   and customer % greatest((select count(*) from customer) * 2 / @most, 1) = 0
order by customer_id, site_id
   limit @most`, map[string]any{"most": pagesMost})
	if err != nil {
		return err
	}
	manager, err := d.program(ctx, access.NewGrant{Role: "manager"})
	if err != nil {
		return err
	}
	owners := map[uuid.UUID]page{}
	for _, p := range places {
		who, ok := owners[p.CustomerID]
		if !ok {
			if who, err = d.program(ctx, access.NewGrant{Role: "owner", CustomerID: &p.CustomerID}); err != nil {
				return err
			}
			owners[p.CustomerID] = who
		}
		who.site, manager.site = p.SiteID, p.SiteID
		d.pages[asOwner] = append(d.pages[asOwner], who)
		d.pages[asManager] = append(d.pages[asManager], manager)
	}
	if len(places) == 0 {
		return fmt.Errorf("the data set has no site that belongs to somebody")
	}
	return nil
}

// program makes a program with a role and a token.
func (d *data) program(ctx context.Context, g access.NewGrant) (page, error) {
	var p page
	var id uuid.UUID
	now := time.Now()
	err := d.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		a, err := access.AddProgram(tx, access.System, now, "bench "+g.Role, []access.NewGrant{g})
		if err != nil {
			return err
		}
		id = a.ID
		_, p.token, err = access.GiveToken(tx, access.System, now, a.ID, now.Add(24*time.Hour))
		return err
	})
	if err != nil {
		return p, err
	}
	p.who, _, err = access.Load(ctx, d.db, id)
	return p, err
}
