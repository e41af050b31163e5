// Package replenish tells how much of a part to hold and when to buy how much of it.
// It knows no database and no clock.
//
// # What is asked of a stock
//
// Slow parts are asked for by chance: their demand in a lead time is taken as Poisson
// distributed. Brushes are worked on in pairs, so much of it comes two at a time: singles and
// pairs are counted apart and the sum is a compound Poisson demand. Three measures are
// often mixed up and stand apart here: the chance that nobody waits (Covers), the share
// of demands that is filled from the shelf at once (Filled), and how many are waited for
// on average (Waiting).
//
// What is needed for work that is planned is known. It is never part of the chance: to
// count it in both is the usual mistake.
//
// For parts that go by the hundred the demand in a lead time is taken as normally distributed.
package replenish
