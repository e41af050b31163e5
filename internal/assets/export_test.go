package assets

// PositionList is the query behind Positions, for the test that looks at its plan.
const PositionList = positionList
