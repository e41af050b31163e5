package assets

// The queries behind the lists, for the test that looks at their plans.
const (
	PositionList = positionList
	SiteList     = siteList
	OverviewList = overviews
	StoppedList  = stopped
)
