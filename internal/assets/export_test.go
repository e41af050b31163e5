package assets

// The queries behind the lists, for the test that looks at their plans.
var PositionList = positionList

const (
	SiteList     = siteList
	OverviewList = overviews
	StoppedList  = stopped
)
