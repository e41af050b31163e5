// Package access knows who acts, what they may do and where: people with
// passwords, programs with tokens, roles, and the audit trail. It knows nothing
// of HTTP.
package access

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Capability is one right. Roles bundle them, in the table role_capability.
type Capability string

// The capabilities, as the table of that name explains them.
const (
	SeeInternal     Capability = "see_internal"
	SeePrice        Capability = "see_price"
	SeeCost         Capability = "see_cost"
	KeepRegister    Capability = "keep_register"
	KeepCatalogue   Capability = "keep_catalogue"
	RecordWork      Capability = "record_work"
	ReadCounters    Capability = "read_counters"
	ExplainReadings Capability = "explain_readings"
	ReportFault     Capability = "report_fault"
	DoRounds        Capability = "do_rounds"
	Plan            Capability = "plan"
	MoveStock       Capability = "move_stock"
	Approve         Capability = "approve"
	Administer      Capability = "administer"
)

// Actor is whoever asks: a person, a program or the system itself.
type Actor struct {
	ID           uuid.UUID
	Kind         string // person, program or system
	Name         string
	Roles        []string
	Capabilities []Capability
	Everywhere   bool           // one of the distributor's own: every site is in scope
	Sites        []uuid.UUID    // otherwise the sites in scope, for some time at least
	Customers    []uuid.UUID    // and the customers whose people they are
	Units        measure.System // in which they like to read
}

// System acts where no person or program does: at start, before a sign-in, on a tick.
var System = Actor{
	ID: uuid.MustParse("00000000-0000-7000-8000-000000000001"), Kind: "system", Name: "spindlebook", Everywhere: true,
	Capabilities: []Capability{SeeInternal, SeePrice, SeeCost, KeepRegister, KeepCatalogue, RecordWork, ReadCounters, ExplainReadings, ReportFault, DoRounds, Plan, MoveStock, Approve, Administer},
}

// May tells whether the actor's roles include the capability.
func (a Actor) May(c Capability) bool { return slices.Contains(a.Capabilities, c) }

// Must is nil where May holds, and otherwise the fault to answer with.
func (a Actor) Must(c Capability) error {
	if a.May(c) {
		return nil
	}
	return &fault.Error{Kind: fault.Forbidden, Value: string(c), Msg: "your roles do not include the right " + string(c)}
}

// Scope gives the arguments by which queries keep to what is the actor's to
// see: @everywhere, @sites and @customers.
func (a Actor) Scope(args map[string]any) map[string]any {
	if args == nil {
		args = map[string]any{}
	}
	args["everywhere"] = a.Everywhere
	args["sites"] = a.Sites
	args["customers"] = a.Customers
	return args
}

const actorByID = `
select a.id, a.kind, a.name,
       array(select distinct g.role from actor_grants() as g order by 1) as roles,
       array(select distinct c.capability from actor_grants() as g join role_capability as c on c.role = g.role order by 1) as capabilities,
       actor_sees_all() as everywhere,
       actor_site_ids() as sites,
       actor_customer_ids() as customers,
       coalesce((select c.epoch from credential as c where c.actor_id = a.id), 0) as epoch,
       coalesce((select f.units from person_preference as f where f.actor_id = a.id), 'as_entered') as units
  from actor as a
 where a.id = current_actor()
   and a.disabled_at is null`

type loaded struct {
	ID           uuid.UUID
	Kind, Name   string
	Roles        []string
	Capabilities []Capability
	Everywhere   bool
	Sites        []uuid.UUID
	Customers    []uuid.UUID
	Epoch        int
	Units        measure.System
}

// Load gives the actor with their rights as of now, and the count of passwords
// they have had. An actor who is unknown or disabled is fault.NoIdentity.
func Load(ctx context.Context, db *pgdb.DB, id uuid.UUID) (Actor, int, error) {
	found, err := pgdb.Read[loaded](ctx, db, id, actorByID, nil)
	if err != nil {
		return Actor{}, 0, err
	}
	if len(found) == 0 {
		return Actor{}, 0, &fault.Error{Kind: fault.NoIdentity, Msg: "this account is disabled or gone"}
	}
	f := found[0]
	return Actor{ID: f.ID, Kind: f.Kind, Name: f.Name, Roles: f.Roles, Capabilities: f.Capabilities,
		Everywhere: f.Everywhere, Sites: f.Sites, Customers: f.Customers, Units: f.Units}, f.Epoch, nil
}

// Page asks for a part of a list: at most Limit rows that come after the row
// whose key is After ("" for the first).
type Page struct {
	After string
	Limit int
}

// Grant is a role given to an actor, for the whole distributor, a customer or a site.
type Grant struct {
	ID         uuid.UUID
	Role       string
	CustomerID *uuid.UUID
	SiteID     *uuid.UUID
	GrantedAt  time.Time
	EndsAt     *time.Time
}
