// Package web is the pages: server-rendered, complete without a script, and
// each a view of what the API gives. A handler reads the request, calls one or
// a few functions of a feature and shows what came back; what an actor may do
// is decided by the features, a page only leaves out what would be refused.
package web

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/door"
	"spindlebook/internal/exchange"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Options say how the pages are shown.
type Options struct {
	Demo bool // a banner says that nothing here is real
	Mail bool // there is a mail server: letters are sent
	// Visitors gives the people as whom one can look around a demo. Nil leaves
	// the choice out of the sign-in page.
	Visitors func(context.Context) ([]Visitor, error)
}

// Visitor is somebody as whom one can look around a demo.
type Visitor struct {
	Name string
	Role string // "Service manager"
	Says string // what they see, in a few words
	Path string // the address of their link
}

type pages struct {
	door   *door.Door
	db     *pgdb.DB
	now    func() time.Time
	o      Options
	looks  map[measure.System]looks // by the units in which they show measures
	static *static
	// files that were looked at and wait for somebody to say yes
	waiting waiting
	// how far the work of forms is that takes long
	under progress
}

// visit is one request for a page.
type visit struct {
	c   *gin.Context
	ctx context.Context // of the request itself: gin uses its own again for the next one
	who access.Actor
	now time.Time
}

func (v visit) may(c access.Capability) bool { return v.who.May(c) }

// Mount puts the pages on the door's engine and tells the door how a fault is
// shown to people.
func Mount(d *door.Door, db *pgdb.DB, now func() time.Time, o Options) error {
	p := &pages{door: d, db: db, now: now, o: o}
	var err error
	if p.static, err = openStatic(); err != nil {
		return err
	}
	p.looks = map[measure.System]looks{}
	for _, in := range measure.Systems {
		if p.looks[in], err = openLooks(p.static, in); err != nil {
			return err
		}
	}
	d.Pages(p.fault)
	d.Engine.GET("/static/:name", p.asset)
	d.Engine.HEAD("/static/:name", p.asset)

	// A picture brings its form with it; a spreadsheet may be long.
	for _, route := range []string{"/positions/:id/photos/new", "/units/:id/photos/new", "/positions/:id/survey", "/meters/:id/read", "/jobs/:id/steps/:step", "/jobs/:id/note"} {
		d.Larger(http.MethodPost, route, assets.MostPhotoBytes+128<<10)
	}
	d.Larger(http.MethodPost, "/import", exchange.MaxFile+128<<10)
	d.Larger(http.MethodPost, "/stock/lists", exchange.MaxFile+128<<10)

	d.Engine.GET("/calendars/:file", p.calendarFile)
	d.Engine.HEAD("/calendars/:file", p.calendarFile)

	g := d.Engine.Group("/", guard, d.Identify)
	g.GET("/sign-in", p.anyone(p.signInPage))
	g.POST("/sign-in", p.anyone(p.signIn))
	g.POST("/sign-out", p.anyone(p.signOut))
	g.GET("/enter/:secret", p.anyone(p.enterPage))
	g.POST("/enter/:secret", p.anyone(p.enter))
	g.GET("/problems", p.anyone(p.problems))

	g.GET("/", p.signedIn(p.home))
	g.GET("/sites", p.signedIn(p.sites))
	g.GET("/sites/:id", p.signedIn(p.site))
	g.GET("/positions/:id", p.signedIn(p.position))
	g.GET("/find", p.signedIn(p.find))
	g.GET("/sites/:id/fitted", p.signedIn(p.siteFitted))
	g.GET("/sites/:id/findings", p.signedIn(p.siteFindings))
	g.GET("/sites/:id/survey", p.signedIn(p.siteSurvey))
	g.GET("/sites/:id/counters", p.signedIn(p.siteCounters))
	g.GET("/sites/:id/counters/compare", p.signedIn(p.compare))
	g.GET("/counters", p.signedIn(p.doubts))
	g.GET("/counters/quiet", p.signedIn(p.quiet))
	g.GET("/counters/held", p.signedIn(p.held))
	g.GET("/meters/:id", p.signedIn(p.meter))
	g.GET("/meters/:id/readings.csv", p.signedIn(p.readingsCSV))
	g.GET("/ahead", p.signedIn(p.ahead))
	g.GET("/ahead.csv", p.signedIn(p.aheadCSV))
	g.GET("/sites/:id/due", p.signedIn(p.siteDue))
	g.GET("/due/:id", p.signedIn(p.dueOne))
	g.GET("/programme", p.signedIn(p.programme))
	g.GET("/plans/:id", p.signedIn(p.workPlan))
	g.GET("/procedures/:id", p.signedIn(p.procedure))
	g.GET("/tasks/:id", p.signedIn(p.task))
	g.GET("/faults", p.signedIn(p.faults))
	g.GET("/faults/:id", p.signedIn(p.failure))
	g.GET("/units", p.signedIn(p.units))
	g.GET("/units/:id", p.signedIn(p.unit))
	g.GET("/parts", p.signedIn(p.catalogue))
	g.GET("/parts/:id", p.signedIn(p.part))
	g.GET("/parts/:id/labels", p.signedIn(p.partLabels))
	g.GET("/sites/:id/labels", p.signedIn(p.siteLabels))
	g.GET("/positions/:id/takes", p.signedIn(p.takes))
	g.GET("/locations", p.signedIn(p.locations))
	g.GET("/stock", p.signedIn(p.lying))
	p.form(g, "/stock/lists", p.listsSheet, p.tryList)
	g.POST("/stock/lists/accept", p.signedIn(p.acceptList))
	g.GET("/stock/lists.xlsx", p.signedIn(p.listOut))
	g.GET("/stock/lists/:kind", p.signedIn(p.listOut))
	g.GET("/stock/ledger", p.signedIn(p.ledger))
	g.GET("/stock/wanted", p.signedIn(p.wanted))
	g.GET("/locations/:id/parts/:part", p.signedIn(p.stockPart))
	g.GET("/orders", p.signedIn(p.orders))
	g.GET("/orders/:id", p.signedIn(p.order))
	g.GET("/orders/:id/order.csv", p.signedIn(p.orderCSV))
	g.GET("/counts", p.signedIn(p.counts))
	g.GET("/counts/:id", p.signedIn(p.count))
	g.GET("/differences", p.signedIn(p.differences))
	g.GET("/kits", p.signedIn(p.kits))
	g.GET("/bags/:id", p.signedIn(p.bag))
	g.GET("/claims", p.signedIn(p.claims))
	g.GET("/returns", p.signedIn(p.returns))
	g.GET("/photos/:id", p.signedIn(p.photo))
	g.GET("/customers", p.signedIn(p.customers))
	g.GET("/customers/:id", p.signedIn(p.customer))
	g.GET("/people", p.signedIn(p.people))
	g.GET("/people/:id", p.signedIn(p.person))
	g.GET("/trail", p.signedIn(p.trail))
	g.GET("/account", p.signedIn(p.account))
	g.GET("/drawings", p.signedIn(p.gallery))
	g.GET("/visits", p.signedIn(p.trips))
	g.GET("/visits/:id", p.signedIn(p.trip))
	g.POST("/visits/:id/tell", p.signedIn(p.tell))
	g.GET("/today", p.signedIn(p.today))
	g.GET("/van", p.signedIn(p.vanCheck))
	g.POST("/van/tick", p.signedIn(p.tick))
	p.form(g, "/van/load", p.loadSheet, p.load)
	g.GET("/sites/:id/plan", p.signedIn(p.plan))

	g.GET("/jobs", p.signedIn(p.jobs))
	g.GET("/jobs/:id", p.signedIn(p.job))
	g.POST("/jobs/:id/steps/:step", p.signedIn(p.answerStep))
	g.POST("/jobs/:id/points/:point", p.signedIn(p.declare))
	g.POST("/jobs/:id/looks", p.signedIn(p.lookInto))
	p.form(g, "/positions/:id/job", p.openJobSheet, p.openJob)
	p.form(g, "/jobs/:id/sign", p.signSheet, p.signOff)
	p.form(g, "/jobs/:id/add", p.addWorkSheet, p.addWork)
	p.form(g, "/jobs/:id/stop", p.stopSheet, p.stop)
	p.form(g, "/jobs/:id/swap", p.jobSwapSheet, p.jobSwap)
	p.form(g, "/jobs/:id/part", p.jobPartSheet, p.jobPart)
	p.form(g, "/jobs/:id/exchange", p.jobExchangeSheet, p.jobExchange)
	p.form(g, "/jobs/:id/readings", p.jobReadingSheet, p.jobReading)
	p.form(g, "/jobs/:id/note", p.jobNoteSheet, p.jobNote)
	p.form(g, "/locks/:id/leave", p.leaveLockSheet, p.leaveLock)
	p.form(g, "/locks/:id/off", p.takeLockOffSheet, p.takeLockOff)

	p.form(g, "/sites/:id/plan/accept", p.acceptSheet, p.accept)
	p.form(g, "/sites/:id/plan/ignore", p.ignoreSheet, p.ignore)
	p.form(g, "/planning", p.ruleSheet, p.setRule)
	p.form(g, "/planning/cost", p.costSheet, p.setCost)
	p.form(g, "/visits/:id/edit", p.tripSheet, p.editTrip)
	p.form(g, "/visits/:id/book", p.bookSheet, p.book)
	p.form(g, "/visits/:id/decide", p.decideSheet, p.decide)
	p.form(g, "/visits/:id/end", p.endSheet, p.endTrip)
	p.form(g, "/account/password", p.passwordSheet, p.changePassword)
	p.form(g, "/account/units", p.unitsSheet, p.setUnits)
	p.form(g, "/account/letters", p.lettersSheet, p.setLetters)
	p.form(g, "/account/calendars/new", p.calendarSheet, p.makeCalendar)
	p.form(g, "/account/calendars/:id/revoke", p.revokeCalendarSheet, p.revokeCalendar)
	p.form(g, "/customers/new", p.newCustomerSheet, p.addCustomer)
	p.form(g, "/customers/:id/edit", p.customerSheet, p.editCustomer)
	p.form(g, "/sites/new", p.newSiteSheet, p.addSite)
	p.form(g, "/sites/:id/edit", p.siteSheet, p.editSite)
	p.form(g, "/sites/:id/lines/new", p.newLineSheet, p.addLine)
	p.form(g, "/sites/:id/positions/new", p.newPositionSheet, p.addPosition)
	p.form(g, "/lines/:id/edit", p.lineSheet, p.editLine)
	p.form(g, "/positions/:id/edit", p.positionSheet, p.editPosition)
	p.form(g, "/positions/:id/twin", p.twinSheet, p.setTwin)
	p.form(g, "/positions/:id/isolation", p.isolationSheet, p.setIsolation)
	p.form(g, "/sites/:id/supplies/new", p.newSupplySheet, p.addSupply)
	p.form(g, "/sites/:id/supplies/:supply/end", p.endSupplySheet, p.endSupply)
	p.form(g, "/sites/:id/week", p.weekSheet, p.arrangeWeek)
	p.form(g, "/sites/:id/hand-over", p.handOverSheet, p.handOver)
	p.form(g, "/sites/:id/points/new", p.newPointSheet, p.addPoint)
	p.form(g, "/points/:id/revise", p.revisePointSheet, p.revisePoint)
	p.form(g, "/sites/:id/notes/new", p.newNoteSheet, p.addNote)
	p.form(g, "/sites/:id/blackouts/new", p.newBlackoutSheet, p.addBlackout)
	p.form(g, "/sites/:id/blackouts/:blackout/withdraw", p.withdrawBlackoutSheet, p.withdrawBlackout)
	p.form(g, "/sites/:id/counters/new", p.newMeterSheet, p.addMeter)
	p.form(g, "/sites/:id/counters/round", p.roundSheet, p.takeRound)
	p.form(g, "/sites/:id/regimes/new", p.regimeSheet, p.addRegime)
	p.form(g, "/sites/:id/regimes/:regime/withdraw", p.withdrawRegimeSheet, p.withdrawRegime)
	p.form(g, "/plans/new", p.newWorkPlanSheet, p.addWorkPlan)
	p.form(g, "/plans/:id/draft", p.termsSheet, p.writeTerms)
	p.form(g, "/plans/:id/publish", p.publishTermsSheet, p.publishTerms)
	p.form(g, "/plans/:id/end", p.endWorkPlanSheet, p.endWorkPlan)
	p.form(g, "/procedures/new", p.newProcedureSheet, p.addProcedure)
	p.form(g, "/procedures/:id/draft", p.contentSheet, p.writeContent)
	p.form(g, "/procedures/:id/steps/:n", p.stepSheet, p.writeStep)
	p.form(g, "/procedures/:id/checks/:n", p.checkSheet, p.writeCheck)
	p.form(g, "/procedures/:id/ways/:n", p.waySheet, p.writeWay)
	p.form(g, "/procedures/:id/publish", p.publishProcedureSheet, p.publishProcedure)
	p.form(g, "/due/:id/stated", p.statedSheet, p.stateDone)
	p.form(g, "/due/:id/override", p.overrideSheet, p.makeOverride)
	p.form(g, "/due/:id/override/:override/withdraw", p.withdrawOverrideSheet, p.withdrawOverride)
	p.form(g, "/tasks/:id/job", p.taskJobSheet, p.openJob)
	p.form(g, "/tasks/:id/plan", p.planTaskSheet, p.planTask)
	p.form(g, "/tasks/:id/skip", p.skipTaskSheet, p.skipTask)
	p.form(g, "/tasks/:id/resume", p.resumeTaskSheet, p.resumeTask)
	p.form(g, "/tasks/:id/cancel", p.cancelTaskSheet, p.cancelTask)
	p.form(g, "/tasks/:id/note", p.taskNoteSheet, p.addTaskNote)
	p.form(g, "/lines/:id/round", p.walkSheet, p.recordWalk)
	p.form(g, "/lines/:id/round/skip", p.skipRoundSheet, p.skipRound)
	p.form(g, "/sites/:id/faults/new", p.reportSheet, p.report)
	p.form(g, "/faults/:id/finding", p.findingSheet, p.sayFinding)
	p.form(g, "/faults/:id/restored", p.restoredSheet, p.restore)
	p.form(g, "/faults/:id/hold", p.holdSheet, p.hold)
	p.form(g, "/faults/:id/withdraw", p.withdrawFaultSheet, p.withdrawFault)
	p.form(g, "/meters/:id/read", p.readSheet, p.takeReading)
	p.form(g, "/meters/:id/edit", p.meterSheet, p.editMeter)
	p.form(g, "/meters/:id/place", p.placeSheet, p.placeMeter)
	p.form(g, "/meters/:id/exchange", p.exchangeSheet, p.exchangeCounter)
	p.form(g, "/meters/:id/formula", p.formulaSheet, p.setFormula)
	p.form(g, "/readings/:id/explain", p.explainSheet, p.explain)
	p.form(g, "/readings/:id/void", p.voidSheet, p.void)
	p.form(g, "/readings/:id/distrust", p.distrustSheet, p.distrust)
	p.form(g, "/positions/:id/share", p.shareSheet, p.setShare)
	p.form(g, "/positions/:id/facts/new", p.newFactSheet, p.recordFact)
	p.form(g, "/positions/:id/facts/:fact/withdraw", p.withdrawSheet, p.withdrawFact)
	p.form(g, "/positions/:id/state", p.stateSheet, p.changeState)
	p.form(g, "/positions/:id/swap", p.swapSheet, p.doSwap)
	p.form(g, "/positions/:id/fit", p.fitSheet, p.doFit)
	p.form(g, "/positions/:id/survey", p.surveySheet, p.doSurvey)
	p.form(g, "/positions/:id/photos/new", p.positionPhotoSheet, p.addPhoto)
	p.form(g, "/units/new", p.newUnitSheet, p.addUnit)
	p.form(g, "/units/:id/edit", p.unitSheet, p.editUnit)
	p.form(g, "/units/:id/move", p.moveSheet, p.moveUnit)
	p.form(g, "/units/:id/facts/new", p.newUnitFactSheet, p.recordUnitFact)
	p.form(g, "/units/:id/facts/:fact/withdraw", p.withdrawUnitFactSheet, p.withdrawUnitFact)
	p.form(g, "/units/:id/sections/new", p.sectionSheet, p.replaceSection)
	p.form(g, "/units/:id/photos/new", p.unitPhotoSheet, p.addPhoto)
	p.form(g, "/parts/new", p.newPartSheet, p.addPart)
	p.form(g, "/parts/:id/edit", p.partSheet, p.editPart)
	g.GET("/fit-rules", p.signedIn(p.fitRules))
	p.form(g, "/fit-rules/:class/edit", p.rulesSheet, p.setRules)
	p.form(g, "/parts/:id/stocking", p.stockingSheet, p.setStocking)
	p.form(g, "/parts/:id/successions/new", p.successionSheet, p.succeed)
	p.form(g, "/parts/:id/interchanges/new", p.interchangeSheet, p.addInterchange)
	p.form(g, "/parts/:id/end/:kind/:link", p.endLinkSheet, p.endLink)
	p.form(g, "/parts/:id/recipe", p.recipeSheet, p.setRecipe)
	p.form(g, "/parts/:id/source", p.sourceSheet, p.setSource)
	p.form(g, "/locations/new", p.newLocationSheet, p.addLocation)
	p.form(g, "/locations/:id/edit", p.locationSheet, p.editLocation)
	p.form(g, "/locations/:id/fill", p.fillSheet, p.fillUp)
	p.form(g, "/locations/:id/hand", p.handSheet, p.hand)
	p.form(g, "/locations/:id/write-off", p.writeOffSheet, p.writeOff)
	p.form(g, "/locations/:id/parts/:part/move", p.moveOutSheet, p.moveOut)
	p.form(g, "/locations/:id/parts/:part/use", p.useSheet, p.useUp)
	p.form(g, "/locations/:id/parts/:part/level", p.levelSheet, p.setLevel)
	p.form(g, "/locations/:id/parts/:part/open", p.openSheet, p.openContainer)
	p.form(g, "/locations/:id/parts/:part/open/:container", p.fullnessSheet, p.setFullness)
	p.form(g, "/locations/:id/parts/:part/extend", p.extendSheet, p.extend)
	p.form(g, "/stock/receive", p.receiveSheet, p.receive)
	p.form(g, "/units/:id/prepare", p.prepareSheet, p.prepare)
	p.form(g, "/orders/new", p.newOrderSheet, p.draftOrder)
	p.form(g, "/orders/:id/send", p.sendOrderSheet, p.sendOrder)
	p.form(g, "/orders/:id/promise", p.promiseOrderSheet, p.promiseOrder)
	p.form(g, "/orders/:id/receive", p.receiveOrderSheet, p.receiveOrder)
	p.form(g, "/orders/:id/end", p.endOrderSheet, p.endOrder)
	p.form(g, "/counts/new", p.newCountSheet, p.beginCount)
	p.form(g, "/counts/:id/enter", p.enterCountSheet, p.enterCount)
	p.form(g, "/counts/:id/post", p.postCountSheet, p.postCount)
	p.form(g, "/counts/:id/cancel", p.cancelCountSheet, p.cancelCount)
	p.form(g, "/differences/:id/settle", p.settleSheet, p.settle)
	p.form(g, "/kits/:id/build", p.buildSheet, p.build)
	p.form(g, "/bags/:id/open", p.openBagSheet, p.openBag)
	p.form(g, "/claims/new", p.newClaimSheet, p.newClaim)
	p.form(g, "/claims/:id/aside", p.asideSheet, p.setAside)
	p.form(g, "/claims/:id/release", p.releaseSheet, p.releaseClaim)
	p.form(g, "/claims/:id/take", p.takeSheet, p.takeClaim)
	p.form(g, "/cores/new", p.newCoreSheet, p.addCore)
	p.form(g, "/cores/:id/step", p.stepCoreSheet, p.stepCore)
	p.form(g, "/warranties/new", p.newWarrantySheet, p.addWarranty)
	p.form(g, "/warranties/:id/step", p.stepWarrantySheet, p.stepWarranty)
	p.form(g, "/photos/:id/withdraw", p.withdrawPhotoSheet, p.withdrawPhoto)
	p.form(g, "/import", p.importSheet, p.tryImport)
	g.POST("/import/accept", p.signedIn(p.acceptImport))
	g.GET("/progress/:key", p.signedIn(p.listen))
	g.GET("/export", p.signedIn(p.export))
	g.GET("/export/:kind", p.signedIn(p.export))
	p.form(g, "/people/invite", p.inviteSheet, p.invite)
	p.form(g, "/people/programs/new", p.newProgramSheet, p.addProgram)
	p.form(g, "/people/:id/link", p.linkSheet, p.makeLink)
	p.form(g, "/people/:id/edit", p.personSheet, p.editPerson)
	p.form(g, "/people/:id/disable", p.disableSheet, p.disable)
	p.form(g, "/people/:id/enable", p.enableSheet, p.enable)
	p.form(g, "/people/:id/roles/new", p.roleSheet, p.giveRole)
	p.form(g, "/people/:id/roles/:grant/end", p.endRoleSheet, p.endRole)
	p.form(g, "/people/:id/tokens/new", p.tokenSheet, p.giveToken)
	p.form(g, "/people/:id/tokens/:token/revoke", p.revokeSheet, p.revokeToken)
	return nil
}

// policy lets a page use what this server sends, and nothing else.
const policy = "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard sets what goes with every page. A page holds what only its reader may
// see, so nothing on the way keeps it.
func guard(c *gin.Context) {
	h := c.Writer.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("Cache-Control", "no-store")
}

type handler func(v visit) error

// anyone serves a page to whoever comes.
func (p *pages) anyone(h handler) gin.HandlerFunc {
	return func(c *gin.Context) {
		who, _ := door.Who(c.Request.Context())
		p.answer(visit{c: c, ctx: c.Request.Context(), who: who, now: p.now()}, h)
	}
}

// signedIn serves a page to somebody who is known.
func (p *pages) signedIn(h handler) gin.HandlerFunc {
	return func(c *gin.Context) {
		who, err := door.Must(c.Request.Context())
		if err != nil {
			p.door.Fail(c, err)
			return
		}
		p.answer(visit{c: c, ctx: c.Request.Context(), who: who, now: p.now()}, h)
	}
}

func (p *pages) answer(v visit, h handler) {
	if err := h(v); err != nil {
		p.door.Fail(v.c, err)
	}
}

// goTo ends a form that was carried out: the browser fetches the page anew, so
// that going back or reloading sends nothing twice.
func goTo(v visit, path string) error {
	v.c.Redirect(http.StatusSeeOther, path)
	return nil
}
