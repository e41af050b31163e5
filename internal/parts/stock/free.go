package stock

import (
	"github.com/google/uuid"

	"spindlebook/internal/parts/amount"
)

// lying is what lies somewhere and is set aside for nobody.
type lying struct {
	PartID          uuid.UUID
	LocationID      uuid.UUID
	Location        string
	SiteID          *uuid.UUID // whose shelf it is
	OwnerCustomerID *uuid.UUID // of a customer's own
	ExpiresOn       *string
	N               amount.Amount
}

// wanting is a claim that is open.
type wanting struct {
	ID         uuid.UUID
	PartID     uuid.UUID
	SiteID     *uuid.UUID
	CustomerID *uuid.UUID
	LocationID *uuid.UUID
	NeededOn   string
	N          amount.Amount
}

// serves tells whether what lies there may be used for a claim: on the day of use, not
// today; a site's shelf for that site alone; a customer's own for that customer alone.
func (l lying) serves(w wanting) bool {
	same := func(a, b *uuid.UUID) bool { return a != nil && b != nil && *a == *b }
	return l.PartID == w.PartID &&
		(w.LocationID == nil || *w.LocationID == l.LocationID) &&
		(l.SiteID == nil || same(l.SiteID, w.SiteID)) &&
		(l.OwnerCustomerID == nil || same(l.OwnerCustomerID, w.CustomerID)) &&
		(l.ExpiresOn == nil || *l.ExpiresOn >= w.NeededOn)
}

// network shares out what lies there among claims: as much as can be served of all of
// them together, by augmenting paths. A claim once served stays served; only from
// where may change.
type network struct {
	there []lying
	left  []amount.Amount
	wants []wanting
	given []map[int]amount.Amount // by claim, from where
}

func newNetwork(there []lying) *network {
	n := &network{there: there, left: make([]amount.Amount, len(there))}
	for i, l := range there {
		n.left[i] = l.N
	}
	return n
}

// add gives a claim what can be had, and tells how much that is.
func (n *network) add(w wanting) (got amount.Amount) {
	n.wants, n.given = append(n.wants, w), append(n.given, map[int]amount.Amount{})
	c := len(n.wants) - 1
	for got < w.N {
		a := n.augment(c, w.N-got)
		if a == 0 {
			break
		}
		got += a
	}
	return got
}

// augment finds a chain of claims, each of which can do with something else, down to
// something that is left.
func (n *network) augment(claim int, most amount.Amount) amount.Amount {
	type step struct{ claim, from int } // the claim that reached this place, and the place it gives up for it
	reached := map[int]step{}
	queue := []int{claim}
	gaveUp := map[int]int{claim: -1}
	for len(queue) > 0 {
		c := queue[0]
		queue = queue[1:]
		for i, l := range n.there {
			if _, been := reached[i]; been || !l.serves(n.wants[c]) {
				continue
			}
			reached[i] = step{c, gaveUp[c]}
			if n.left[i] > 0 {
				a := min(most, n.left[i])
				for at := i; ; { // back along the chain: how much can go
					s := reached[at]
					if s.from < 0 {
						break
					}
					a = min(a, n.given[s.claim][s.from])
					at = s.from
				}
				n.left[i] -= a
				for at := i; ; {
					s := reached[at]
					n.given[s.claim][at] += a
					if s.from < 0 {
						return a
					}
					n.given[s.claim][s.from] -= a
					at = s.from
				}
			}
			for other, from := range n.given {
				if _, seen := gaveUp[other]; !seen && from[i] > 0 {
					gaveUp[other] = i
					queue = append(queue, other)
				}
			}
		}
	}
	return 0
}
