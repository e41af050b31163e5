// Package readiness judges whether a visit can go: its parts, its people, its
// lifting gear, all jobs together. It knows no database and no clock: what is
// recorded is handed in as facts, and whether an item fits is judged before.
//
// # Verdicts
//
// A job goes; goes after work at the bench (how many minutes, who); does not go,
// with every reason; or nobody can tell, with what is missing and how to get it. Cannot
// tell is never ready. A visit is as ready as the least ready of its jobs.
//
// # Together
//
// What one job takes is not there for the next: one tube of grease serves two
// jobs, two motors are two. Jobs are supplied in the order of their criticality, and a
// job that has its parts hands one on if it can take another instead, so that none
// goes without while there is enough. A job that does not go holds nothing back.
// What is only needed if something is found is supplied last and stops nothing.
//
// # Where from
//
// Own van, site shelf (if it may be used), warehouse, another van, on order;
// before all that what needs no work. What is on order counts where it is expected by the
// staging day, the last of our working days before the visit, and the
// judgement says that it is not here yet. Everything must be in date on the day of
// the visit.
package readiness
