// Package grouping proposes on which days to go to a site, so that few trips do
// much work and little life is thrown away. It knows no database and no clock.
//
// # Without limits
//
// Each task takes the last visit inside its window. Given that, Propose finds
// the days on which trips × their cost + waste is least, exactly: a dynamic program
// over the allowed days, where a visit's cost is known as soon as the next one is. Waste
// is what a task is worth × days early ÷ days between two; it is the only price of
// being early, and 0 on a fixed grid. Of plans that cost the same, the one with
// fewer trips is taken, then the one that goes less beyond due days, then the one that
// goes less before them.
//
// Work of criticality S is never put later than its due day. Tasks of a pair, such as both side brushes, stay
// together where their windows meet. A visit that a person has locked stays with the
// tasks that were put on it, and its trip is paid whatever is added.
//
// # With limits
//
// Where a day's people, their minutes and the minutes for which a line may be down are known,
// tasks are then given their day one by one, the gravest first and among those the
// one that can wait least: on the day they had, else on another visit inside their
// window, else on a day of its own, else where another moves on to make room. In the end visits are closed whose tasks find
// room elsewhere at less than a trip. This is greedy and not exact. What finds no place
// is a Conflict with its reason.
//
// # What cannot be on time
//
// A task that is late already, whose parts come late or whose window holds no
// allowed day is put on the first day that is possible, and that is a Conflict too:
// it is for a person to look at, and no reason to drop work.
package grouping
