// Package due decides what falls due, when and why. It knows no database and no
// clock: what is recorded and the time are arguments.
//
// # Days
//
// Everything counts in a site's operating days. What is done at 01:30 on Sunday
// belongs to Saturday where the day turns at 03:00; work due on the 5th may be
// done until the day of the 5th turns.
//
// # Whichever first
//
// A Plan has triggers: Every so many days or months, OnDates of a recurrence rule,
// EachOperatingDay, OncePerSeason, AfterUse of a counter, OnCrossing of a limit by
// a recorded check. Each gives a day by itself; the earliest governs. The window
// opens with the first of them that opens and closes with the first that closes.
//
// Use falls due on the day on which a counter is forecast to stand at base plus
// interval, from its last reading: by what was read, the day does not wander while
// nobody reads. A counter that was not read for Quiet days is said to be quiet, and
// its forecast still counts: no stale meter makes anything not due. Only where
// use has no calendar beside it does a quiet counter make the answer Unknown,
// until the day by which it has run so far with 90 %; then it falls due.
//
// # Basis
//
// Floating counts from the last completion. A Fixed plan keeps its grid of dates
// whatever the day of completion, and a completion before the window opens is
// extra work that restarts nothing. A late one that comes within half an interval
// of the next date settles that date too. Use always counts from the last completion
// that counted: a grid is of dates (month, season, legal day). OneOff counts from
// the job that gave rise to it and ends when done.
//
// # Safety
//
// Criticality S has no late window, cannot be skipped, needs a trigger by the
// calendar, its intervals are only ever shortened by an Override, and where it
// was never done it is due at once.
package due
