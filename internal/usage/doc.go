// Package usage learns from the readings of a cumulative counter how fast it
// runs, and tells when it will have run so much more, with an honest range. It
// decides only: readings, sites and the time are arguments.
//
// # Operational time
//
// A wash is not used evenly. A Profile says how the use of a day compares with
// that of a mean day, by month and weekday, and how a day's use spreads over its
// hours. A Calendar lays a profile over a site's zone, the hour at which its
// operating day turns and its closed days, and counts operational days: a mean
// day is one, a Saturday in February may be two and a half, a closed day is
// none. On that scale use grows evenly, so a straight line is right there which
// would be wrong by a third on the calendar. Days are the calendar's, of 23, 24
// or 25 hours.
//
// # Rate
//
// Measure takes the readings of the last 365 days, cut at the last regime change
// (new program, new site, position rebuilt). With increments Δx over Δt
// operational days that are independent and vary as Δt, the best rate is the
// slope from end to end, r = ΣΔx/ΣΔt, and its variance comes from
//
//	σ² = 1/(n−1) Σ (Δx − rΔt)²/Δt.
//
// That is a regression through the origin of Δx/√Δt on √Δt. Frequent readings
// are first joined to sixteen stretches at most, because single days are not
// independent. Fewer than three readings in 400 days are too few: then the plan's
// own rate serves, and the Rate says so.
//
// # Forecast
//
// To run d more units takes τ operational days. After τ days the count is off
// rτ for three reasons: the days scatter, the rate was learnt from a window of W
// days only, and the level itself wanders. The 10 and 90 % limits solve
//
//	rτ ± √q(τ) = d,  q(τ) = t²σ²(τ + τ²/W) + z²(κrτ)²·(W + d/r)/365,
//
// with Student's t of n−1 degrees of freedom for what is known from this meter's
// few increments, and the normal z for κ, which is learnt from the forecasts of
// many meters that were held against what came: κ is how far the means of two
// stretches differ that together last a year. docs/decisions/forecast-range.md
// tells why it is so and what was measured.
//
// A counter never falls, so it has passed d by a date exactly if it stands at d
// or more on that date: no first-passage formula is needed. Where the rate is
// known, W infinite and κ zero, the limits come near the quantiles of the inverse
// Gaussian distribution, the first passage of a motion that may fall back; a test
// holds them together. If the readings do not rule out that the thing stands
// still there is no latest date.
//
// # What calls it
//
// NewCalendar once for a site (or kept), Measure for a meter when it is read,
// Outlook for its forecasts: a Rate and the last reading are all that an Outlook
// needs, so both can be stored and the readings left alone. Outlook.Forecast
// allocates nothing. Interpolate gives a total between two readings.
// LearnProfile and Own learn profiles, Backtest and Kappa hold forecasts against
// what came. The first profiles, TradeProfile, are figures of the trade.
package usage
