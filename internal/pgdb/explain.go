package pgdb

import (
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"spindlebook/internal/fault"
)

// meaning turns the name of a constraint into what its breaking means to the
// caller. A test holds it against the constraints of the schema: those that a
// request can break must be here.
var meaning = map[string]fault.Error{
	"customer_code_uq":    {Kind: fault.Conflict, Field: "code", Msg: "is in use by another customer"},
	"customer_code_form":  {Field: "code", Msg: "takes 1 to 16 capital letters, digits and hyphens"},
	"customer_name_given": {Field: "name", Msg: "must not be blank"},

	"site_code_uq":            {Kind: fault.Conflict, Field: "code", Msg: "is in use by another site"},
	"site_code_form":          {Field: "code", Msg: "takes 1 to 16 capital letters, digits and hyphens"},
	"site_name_given":         {Field: "name", Msg: "must not be blank"},
	"site_latitude_on_earth":  {Field: "latitude", Msg: "lies between -90 and 90 degrees"},
	"site_longitude_on_earth": {Field: "longitude", Msg: "lies between -180 and 180 degrees"},
	"site_place_whole":        {Field: "latitude", Msg: "is given together with longitude or not at all"},
	"site_currency_form":      {Field: "currency", Msg: "is a code of three letters by ISO 4217"},
	"site_climate_known":      {Field: "climate", Msg: "is snowbelt, mild_wet or warm_dry"},
	"site_size_known":         {Field: "size", Msg: "is small, medium or large"},
	"site_driver_side_known":  {Field: "driver_side", Msg: "is left or right"},

	"ownership_during_real":   {Field: "from", Msg: "must lie before its end"},
	"ownership_one_at_a_time": {Kind: fault.Conflict, Field: "from", Msg: "the site already belongs to a customer in that time"},
	"ownership_customer_fk":   {Field: "customer_id", Msg: "names no customer"},
	"ownership_site_fk":       {Field: "site_id", Msg: "names no site"},

	"actor_name_given":               {Field: "name", Msg: "must not be blank"},
	"actor_customer_fk":              {Field: "customer_id", Msg: "names no customer"},
	"person_login_uq":                {Kind: fault.Conflict, Field: "login", Msg: "is in use by another person"},
	"person_login_form":              {Field: "login", Msg: "takes 3 to 254 characters without spaces, in small letters"},
	"program_token_ends_after_start": {Field: "expires_at", Msg: "must lie in the future"},
	"role_grant_role_fk":             {Field: "role", Msg: "names no role, or not one for this scope"},
	"role_grant_customer_fk":         {Field: "customer_id", Msg: "names no customer"},
	"role_grant_site_fk":             {Field: "site_id", Msg: "names no site"},
	"role_grant_scope_fits":          {Field: "role", Msg: "manager, parts_clerk and technician cover the distributor and name neither customer nor site; owner and site_staff name a customer, and perhaps one of its sites; gateway names a site"},
	"role_grant_ends_after_start":    {Field: "ends_at", Msg: "must lie in the future"},

	"supply_site_fk":       {Kind: fault.NotFound, Msg: "no such site"},
	"supply_code_form":     {Field: "code", Msg: "takes 1 to 32 letters, digits, spaces and . _ -"},
	"supply_volts_real":    {Field: "volts", Msg: "lies between 1 and 1000"},
	"supply_phases_known":  {Field: "phases", Msg: "is 1 or 3"},
	"supply_hertz_known":   {Field: "hertz", Msg: "is 50 or 60"},
	"supply_during_real":   {Field: "from", Msg: "must lie before its end"},
	"supply_one_of_a_code": {Kind: fault.Conflict, Field: "code", Msg: "the site has a supply of that code in that time"},

	"weekly_hours_site_fk":      {Kind: fault.NotFound, Msg: "no such site"},
	"weekly_hours_kind_known":   {Field: "kind", Msg: "is open or line_may_be_down"},
	"weekly_hours_weekday_iso":  {Field: "weekday", Msg: "is 1 (Monday) to 7 (Sunday)"},
	"weekly_hours_within_a_day": {Field: "minutes", Msg: "lies between 1 and 1440"},
	"weekly_hours_during_real":  {Field: "from", Msg: "must lie before its end"},

	"blackout_site_fk":      {Kind: fault.NotFound, Msg: "no such site"},
	"blackout_line_fk":      {Field: "line_id", Msg: "names no line of this site"},
	"blackout_during_real":  {Field: "until", Msg: "must lie after from"},
	"blackout_reason_given": {Field: "reason", Msg: "must not be blank"},

	"line_code_uq":       {Kind: fault.Conflict, Field: "code", Msg: "is in use by another line"},
	"line_code_form":     {Field: "code", Msg: "takes 1 to 24 capital letters, digits and hyphens"},
	"line_site_fk":       {Field: "site_id", Msg: "names no site"},
	"line_length_real":   {Field: "length", Msg: "lies above 0 and below 1000 m"},
	"line_speed_real":    {Field: "speed", Msg: "lies above 0 and below 100 m/min"},
	"line_vehicles_real": {Field: "vehicles_per_hour_max", Msg: "lies between 1 and 1000"},
	"line_during_real":   {Field: "from", Msg: "must lie before its end"},

	"position_code_uq":              {Kind: fault.Conflict, Field: "code", Msg: "is in use by another position"},
	"position_code_form":            {Field: "code", Msg: "takes 1 to 32 capital letters, digits, hyphens and slashes"},
	"position_name_given":           {Field: "name", Msg: "must not be blank"},
	"position_kind_fk":              {Field: "kind", Msg: "names no kind of position"},
	"position_line_side_known":      {Field: "line_side", Msg: "is left, right or centre, in the direction of travel"},
	"position_along_real":           {Field: "along", Msg: "lies between -100 and 1000 m"},
	"position_line_fk":              {Field: "line_id", Msg: "names no line of this site"},
	"position_supply_fk":            {Field: "supply_id", Msg: "names no supply of this site"},
	"position_site_fk":              {Field: "site_id", Msg: "names no site"},
	"position_off_line_has_no_side": {Field: "line_side", Msg: "is centre for shared equipment, which stands on no line"},
	"position_during_real":          {Field: "from", Msg: "must lie before its end"},
	"position_alias_given":          {Field: "aliases", Msg: "must not be blank"},
	"position_alias_short":          {Field: "aliases", Msg: "takes at most 100 characters each"},
	"position_alias_pk":             {Field: "aliases", Msg: "names the same alias twice"},

	"position_state_known":         {Field: "state", Msg: "is in_service, parked, empty or retired"},
	"position_state_during_real":   {Field: "from", Msg: "must lie after the state that it follows began"},
	"position_state_one_at_a_time": {Kind: fault.Conflict, Field: "from", Msg: "another state is recorded for that time"},

	"twin_left_fk":  {Kind: fault.Conflict, Field: "twin_id", Msg: "twins stand on one line, are of one kind, and one is left and one right; part the pair before changing one of it"},
	"twin_right_fk": {Kind: fault.Conflict, Field: "twin_id", Msg: "twins stand on one line, are of one kind, and one is left and one right; part the pair before changing one of it"},
	"twin_pk":       {Kind: fault.Conflict, Field: "twin_id", Msg: "the left one already has a twin"},
	"twin_right_uq": {Kind: fault.Conflict, Field: "twin_id", Msg: "the right one already has a twin"},

	"position_fact_kind_fk":       {Field: "fact", Msg: "names no kind of fact"},
	"position_fact_value_given":   {Field: "value", Msg: "must not be blank; what is unknown is left unrecorded"},
	"position_fact_how_known":     {Field: "how", Msg: "is measured, read_off_plate, seen, told, drawing or assumed"},
	"position_fact_during_real":   {Field: "from", Msg: "must lie before its end"},
	"position_fact_one_at_a_time": {Kind: fault.Conflict, Field: "from", Msg: "a value is recorded for that time; withdraw it or name a later instant"},

	"isolation_point_code_uq":            {Kind: fault.Conflict, Field: "code", Msg: "is in use by another isolation point of this site"},
	"isolation_point_code_form":          {Field: "code", Msg: "takes 1 to 32 capital letters, digits, hyphens and slashes"},
	"isolation_point_energy_known":       {Field: "energy", Msg: "is electrical, air, gravity, hydraulic, water or chemical"},
	"isolation_point_site_fk":            {Kind: fault.NotFound, Msg: "no such site"},
	"isolation_version_number_uq":        {Kind: fault.Conflict, Field: "number", Msg: "somebody recorded a version of this point at the same time; read it and repeat"},
	"isolation_version_one_at_a_time":    {Kind: fault.Conflict, Field: "valid_from", Msg: "a later version is recorded already"},
	"isolation_version_during_real":      {Field: "valid_from", Msg: "must lie after the version before it began"},
	"isolation_version_place_given":      {Field: "place", Msg: "must not be blank"},
	"isolation_version_isolate_given":    {Field: "isolate", Msg: "must not be blank"},
	"isolation_version_prove_given":      {Field: "prove", Msg: "must not be blank"},
	"isolation_version_restore_given":    {Field: "restore", Msg: "must not be blank"},
	"isolation_version_checked_by_given": {Field: "checked_by", Msg: "must not be blank"},
	"position_isolation_point_fk":        {Field: "point_ids", Msg: "names no isolation point of this site"},
	"position_isolation_pk":              {Field: "point_ids", Msg: "names the same point twice"},

	"site_note_site_fk":    {Kind: fault.NotFound, Msg: "no such site"},
	"site_note_body_given": {Field: "body", Msg: "must not be blank"},

	"part_number_uq":         {Kind: fault.Conflict, Field: "number", Msg: "is in use by another part"},
	"part_number_form":       {Field: "number", Msg: "takes 1 to 32 capital letters, digits and . / -"},
	"part_description_given": {Field: "description", Msg: "must not be blank"},
	"part_class_fk":          {Field: "class", Msg: "names no class of component"},
	"part_fact_pk":           {Field: "facts", Msg: "names the same fact twice"},
	"location_code_uq":       {Kind: fault.Conflict, Field: "code", Msg: "is in use by another location"},
	"location_code_form":     {Field: "code", Msg: "takes 1 to 24 capital letters, digits and hyphens"},
	"location_name_given":    {Field: "name", Msg: "must not be blank"},
	"location_kind_known":    {Field: "kind", Msg: "is warehouse, van, site_shelf, bench, quarantine, returns, in_transit, supplier, unexplained or scrap"},
	"location_site_fk":       {Field: "site_id", Msg: "names no site"},

	"part_measured_in_known":  {Field: "measured_in", Msg: "is ea, set, ft, m, L, mL, g or kg"},
	"part_bought_in_form":     {Field: "bought_in", Msg: "takes 1 to 16 letters, such as box or pail"},
	"part_pack_real":          {Field: "pack", Msg: "lies above 0 and at most at 1000000"},
	"part_container_real":     {Field: "container", Msg: "lies above 0 and at most at 1000000"},
	"part_tracking_known":     {Field: "tracking", Msg: "is unit, lot, lot_expiry, kit, bulk or none"},
	"part_shelf_months_real":  {Field: "shelf_months", Msg: "lies between 1 and 600"},
	"part_open_months_real":   {Field: "open_months", Msg: "lies between 1 and 600"},
	"part_weight_real":        {Field: "weight", Msg: "lies above 0 and at most at 100000 kg"},
	"part_abc_known":          {Field: "abc", Msg: "is A, B or C"},
	"part_counted_whole":      {Field: "measured_in", Msg: "is ea or set for what is tracked by unit or kit: those are counted whole"},
	"part_alias_number_given": {Field: "aliases", Msg: "takes 1 to 64 characters each"},
	"part_alias_kind_known":   {Field: "aliases", Msg: "are old, maker, supplier or other numbers"},
	"part_alias_once":         {Field: "aliases", Msg: "names the same number twice"},

	"part_cost_part_fk":         {Kind: fault.NotFound, Msg: "no such part"},
	"part_cost_price_real":      {Field: "price_minor", Msg: "must not be below 0"},
	"part_cost_core_real":       {Field: "core_minor", Msg: "must not be below 0"},
	"part_cost_currency_form":   {Field: "currency", Msg: "is a code of three letters by ISO 4217"},
	"part_cost_during_real":     {Field: "from", Msg: "must lie after the cost before it began"},
	"part_cost_one_at_a_time":   {Kind: fault.Conflict, Field: "from", Msg: "another cost is recorded for that time"},
	"supplier_code_uq":          {Kind: fault.Conflict, Field: "code", Msg: "is in use by another supplier"},
	"supplier_code_form":        {Field: "code", Msg: "takes 1 to 16 capital letters, digits and hyphens"},
	"supplier_name_given":       {Field: "name", Msg: "must not be blank"},
	"supplier_working_days_iso": {Field: "working_days", Msg: "takes 1 to 7 of the weekdays 1 (Monday) to 7 (Sunday)"},
	"supplier_closed_bounded":   {Field: "closed", Msg: "takes at most 400 days"},

	"supplier_part_supplier_fk":   {Field: "supplier_id", Msg: "names no supplier"},
	"supplier_part_part_fk":       {Field: "part_id", Msg: "names no part"},
	"supplier_part_lead_real":     {Field: "lead_10", Msg: "must not be below 0"},
	"supplier_part_uq":            {Kind: fault.Conflict, Field: "part_id", Msg: "is recorded for this supplier already"},
	"supplier_part_lead_rises":    {Field: "lead_10", Msg: "is at most lead_50, that at most lead_90, and that at most 730 working days"},
	"supplier_part_one_preferred": {Kind: fault.Conflict, Field: "preferred", Msg: "another supplier is preferred for this part"},

	"part_succession_part_fk":        {Kind: fault.NotFound, Msg: "no such part"},
	"part_succession_kind_known":     {Field: "kind", Msg: "is replaced or withdrawn"},
	"part_succession_during_real":    {Field: "from", Msg: "must lie before its end"},
	"part_succession_one_at_a_time":  {Kind: fault.Conflict, Field: "only_where", Msg: "what follows this part there is recorded already; end that first"},
	"part_succession_to_part_fk":     {Field: "to", Msg: "names no part"},
	"part_succession_to_amount_real": {Field: "to", Msg: "gives amounts above 0"},
	"part_succession_to_pk":          {Field: "to", Msg: "names the same part twice"},

	"part_interchange_part_fk":           {Kind: fault.NotFound, Msg: "no such part"},
	"part_interchange_other_fk":          {Field: "other_id", Msg: "names no part"},
	"part_interchange_via_fk":            {Field: "via_part_id", Msg: "names no part"},
	"part_interchange_kind_known":        {Field: "kind", Msg: "is either, instead, conversion, never_mix or lookalike"},
	"part_interchange_during_real":       {Field: "from", Msg: "must lie before its end"},
	"part_interchange_two_parts":         {Field: "other_id", Msg: "is another part"},
	"part_interchange_conversion_by_kit": {Field: "via_part_id", Msg: "names the kit of a conversion, and is given for nothing else"},
	"part_interchange_one_at_a_time":     {Kind: fault.Conflict, Field: "other_id", Msg: "that is recorded of these parts already"},

	"kit_recipe_kit_fk":       {Kind: fault.NotFound, Msg: "no such part"},
	"kit_recipe_number_uq":    {Kind: fault.Conflict, Field: "lines", Msg: "somebody recorded a recipe of this kit at the same time; read it and repeat"},
	"kit_recipe_pattern_form": {Field: "pattern", Msg: "is a row of A and B from the bottom up, perhaps repeated: AABBx4"},
	"kit_line_part_fk":        {Field: "lines", Msg: "names no part"},
	"kit_line_amount_real":    {Field: "lines", Msg: "gives amounts above 0 and at most 1000000"},
	"kit_line_letter_known":   {Field: "lines", Msg: "gives A or B as the letter of a section"},
	"kit_line_part_uq":        {Field: "lines", Msg: "names the same part twice"},

	"requirement_line_version_fk":      {Kind: fault.NotFound, Msg: "no such version of a procedure"},
	"requirement_line_need_known":      {Field: "lines", Msg: "is always, if_found, consumable, tool or protective"},
	"requirement_line_part_fk":         {Field: "lines", Msg: "names no part"},
	"requirement_line_slot_known":      {Field: "lines", Msg: "names a slot in small letters"},
	"requirement_line_item_given":      {Field: "lines", Msg: "must not be blank"},
	"requirement_line_amount_real":     {Field: "lines", Msg: "gives amounts above 0 and at most 1000000"},
	"requirement_line_chance_real":     {Field: "lines", Msg: "gives chances above 0 and below 1"},
	"requirement_line_ordinal_uq":      {Kind: fault.Conflict, Field: "lines", Msg: "somebody recorded the lines of this version at the same time; read them and repeat"},
	"requirement_line_names_one":       {Field: "lines", Msg: "names a part, a slot or an item in words: one of the three"},
	"requirement_line_chance_if_found": {Field: "lines", Msg: "has a chance and a cause where it is needed if something is found, and only there"},
	"requirement_line_one_of_a_group":  {Field: "lines", Msg: "names the group of which one line is taken"},

	"fit_rule_class_fk":          {Field: "class", Msg: "names no class of component"},
	"fit_rule_how_known":         {Field: "how", Msg: "is same, pattern, supply, links or never"},
	"fit_rule_fact_given":        {Field: "fact", Msg: "names a fact in small letters"},
	"fit_rule_against_given":     {Field: "against", Msg: "names a fact of the position in small letters, kind, line_side or supply"},
	"fit_rule_work_minutes_real": {Field: "work_minutes", Msg: "lies between 1 and 1440"},
	"fit_rule_uq":                {Kind: fault.Conflict, Field: "fact", Msg: "has a rule of that kind for the class already"},
	"fit_rule_work_whole":        {Field: "work", Msg: "comes with work_minutes and work_by or without both"},

	"location_owner_known":         {Field: "owner", Msg: "is distributor, consignment or customer"},
	"location_customers_at_a_site": {Field: "owner", Msg: "is distributor except for a shelf at a site"},
	"location_supplier_fk":         {Field: "supplier_id", Msg: "names no supplier"},
	"location_supplier_has_a_kind": {Field: "supplier_id", Msg: "is given for a location of the kind supplier"},
	"lot_extension_evidence_given": {Field: "evidence", Msg: "is needed: what shows it"},
	"location_holder_actor_fk":     {Field: "person_id", Msg: "names nobody"},
	"location_holder_during_real":  {Field: "from", Msg: "must lie after the one before took it over"},
	"location_holder_one_person":   {Kind: fault.Conflict, Field: "from", Msg: "somebody else has it in that time"},
	"location_holder_one_place":    {Kind: fault.Conflict, Field: "person_id", Msg: "has another one in that time"},

	"unit_tag_uq":             {Kind: fault.Conflict, Field: "tag", Msg: "is on another unit"},
	"unit_tag_form":           {Field: "tag", Msg: "takes 1 to 24 capital letters, digits and hyphens"},
	"unit_part_fk":            {Field: "part_id", Msg: "names no part"},
	"unit_owner_customer_fk":  {Field: "owner_customer_id", Msg: "names no customer"},
	"unit_fact_kind_fk":       {Field: "fact", Msg: "names no kind of fact"},
	"unit_fact_how_known":     {Field: "how", Msg: "is measured, read_off_plate, seen, told, drawing or assumed"},
	"unit_fact_during_real":   {Field: "from", Msg: "must lie before its end"},
	"unit_fact_one_at_a_time": {Kind: fault.Conflict, Field: "from", Msg: "a value is recorded for that time; withdraw it or name a later instant"},

	"stay_unit_in_one_place": {Kind: fault.Conflict, Field: "unit_id", Msg: "is somewhere else in that time"},
	"stay_slot_holds_one":    {Kind: fault.Conflict, Field: "slot_id", Msg: "holds another unit in that time"},
	"stay_during_real":       {Field: "from", Msg: "must lie before its end"},

	"meter_code_uq":     {Kind: fault.Conflict, Field: "code", Msg: "is in use by another meter"},
	"meter_code_form":   {Field: "code", Msg: "takes 1 to 32 capital letters, digits, hyphens and slashes"},
	"meter_site_fk":     {Field: "site_id", Msg: "names no site"},
	"meter_most_real":   {Field: "most_per_hour", Msg: "lies between 1 and 100000"},
	"meter_during_real": {Field: "from", Msg: "must lie before its end"},

	"meter_place_line_fk":       {Field: "line_id", Msg: "names no line of this site"},
	"meter_place_position_fk":   {Field: "position_id", Msg: "names no position of this site"},
	"meter_place_one_thing":     {Field: "line_id", Msg: "or position_id says what the meter belongs to: one of the two"},
	"meter_place_during_real":   {Field: "from", Msg: "must lie after the meter came to what it belongs to now"},
	"meter_place_one_at_a_time": {Kind: fault.Conflict, Field: "from", Msg: "the meter belongs to another thing in that time"},
	"meter_place_one_primary":   {Kind: fault.Conflict, Field: "primary", Msg: "another meter of that unit leads there in that time; one leads, the others are compared with it"},

	"meter_segment_one_at_a_time":       {Kind: fault.Conflict, Field: "at", Msg: "another run of the counter is recorded for that time"},
	"meter_segment_value_below_modulus": {Field: "new_first", Msg: "must lie below where the counter rolls over"},
	"reading_act_reason_given":          {Field: "reason", Msg: "must not be blank"},

	"meter_formula_ratio_real":       {Field: "ratio", Msg: "lies above 0 and below 1000000"},
	"meter_formula_learnt_fk":        {Field: "learn_from", Msg: "names no meter"},
	"meter_formula_one_at_a_time":    {Kind: fault.Conflict, Field: "from", Msg: "another formula is recorded for that time"},
	"meter_formula_term_weight_real": {Field: "weight", Msg: "lies above 0 and at most at 1000"},
	"meter_formula_term_pk":          {Field: "terms", Msg: "names the same meter twice"},
	"meter_formula_term_source_fk":   {Field: "terms", Msg: "names no meter of this site"},

	"position_share_real":          {Field: "share", Msg: "lies between 0 and 1"},
	"position_share_position_fk":   {Kind: fault.NotFound, Msg: "no such position"},
	"position_share_one_at_a_time": {Kind: fault.Conflict, Field: "from", Msg: "another share is recorded for that time"},

	"regime_change_site_fk":      {Kind: fault.NotFound, Msg: "no such site"},
	"regime_change_meter_fk":     {Field: "meter_id", Msg: "names no meter of this site"},
	"regime_change_reason_given": {Field: "reason", Msg: "must not be blank"},

	"usage_profile_climate_known": {Field: "climate", Msg: "is snowbelt, mild_wet or warm_dry"},
	"usage_profile_size_known":    {Field: "size", Msg: "is small, medium or large"},
	"usage_profile_part_known":    {Field: "part", Msg: "is month, weekday, hour or kappa"},
	"usage_profile_ordinal_real":  {Field: "ordinal", Msg: "is a month 1 to 12, an ISO weekday 1 to 7, an hour 0 to 23, or 0 for kappa"},
	"usage_profile_factor_real":   {Field: "factor", Msg: "lies between 0 and 1000"},
	"usage_profile_years_real":    {Field: "years", Msg: "must not be negative"},
	"usage_profile_meters_real":   {Field: "meters", Msg: "must not be negative"},
	"usage_profile_of_one":        {Field: "site_id", Msg: "or climate and size say of what the profile is"},
	"usage_profile_site_fk":       {Field: "site_id", Msg: "names no site"},

	"procedure_code_uq":                  {Kind: fault.Conflict, Field: "code", Msg: "is in use by another procedure"},
	"procedure_code_form":                {Field: "code", Msg: "takes 1 to 24 capital letters, digits and hyphens"},
	"procedure_title_given":              {Field: "title", Msg: "must not be blank"},
	"procedure_version_number_uq":        {Kind: fault.Conflict, Field: "number", Msg: "somebody began a version of this procedure at the same time; read it and repeat"},
	"procedure_version_people_real":      {Field: "people", Msg: "lies between 1 and 20"},
	"procedure_version_minutes_real":     {Field: "minutes", Msg: "are low, typical and high, each at least 1, in that order, and at most 10080"},
	"procedure_version_line_state_known": {Field: "line_state", Msg: "is running, line_down, closed_hours, position_parked, station_stopped or not_applicable"},
	"procedure_version_energies_known":   {Field: "energies", Msg: "are electrical, air, gravity, hydraulic, water or chemical"},
	"procedure_option_code_form":         {Field: "options", Msg: "have codes of 1 to 32 small letters, digits and underscores"},
	"procedure_option_title_given":       {Field: "options", Msg: "have titles that are not blank"},
	"procedure_option_people_real":       {Field: "options", Msg: "take 1 to 20 people"},
	"procedure_option_minutes_real":      {Field: "options", Msg: "have minutes low, typical and high, each at least 1, in that order, and at most 10080"},
	"procedure_option_pk":                {Field: "options", Msg: "names the same option twice"},
	"procedure_step_kind_known":          {Field: "steps", Msg: "are of the kinds do, measure, choose, pass_fail, photo, note, isolate, prove_dead, test, restore, hold and include"},
	"procedure_step_minutes_real":        {Field: "steps", Msg: "take 0 to 1440 minutes each"},
	"procedure_step_says_something":      {Field: "steps", Msg: "say what is to be done"},
	"procedure_step_includes_whole":      {Field: "steps", Msg: "include a block by a step of the kind include, and only so"},
	"procedure_step_includes_fk":         {Field: "steps", Msg: "include versions of blocks that there are"},
	"procedure_check_code_form":          {Field: "checks", Msg: "have codes of 1 to 24 capital letters, digits and hyphens"},
	"procedure_check_code_uq":            {Field: "checks", Msg: "names the same code twice"},
	"procedure_check_prompt_given":       {Field: "checks", Msg: "have prompts that are not blank"},
	"procedure_check_kind_known":         {Field: "checks", Msg: "are of the kinds number, choice, pass_fail, photo, date and meter"},
	"procedure_check_warn_fk":            {Field: "checks", Msg: "raise procedures that there are"},
	"procedure_check_fail_fk":            {Field: "checks", Msg: "raise procedures that there are"},
	"procedure_check_warn_days_real":     {Field: "checks", Msg: "raise work that is due within 0 to 366 days"},
	"procedure_check_fail_days_real":     {Field: "checks", Msg: "raise work that is due within 0 to 366 days"},
	"procedure_check_interval_real":      {Field: "checks", Msg: "shorten an interval to 1 to 99 percent of it"},
	"procedure_check_limits_fit":         {Field: "checks", Msg: "have limits only where they take a number"},
	"procedure_check_limits_in_order":    {Field: "checks", Msg: "warn within the limits at which they fail"},
	"procedure_check_options_fit":        {Field: "checks", Msg: "have options where one is chosen: two for pass_fail, two or more for choice, and none for others"},
	"procedure_cover_procedure_fk":       {Field: "covers", Msg: "names no procedure"},
	"procedure_cover_pk":                 {Field: "covers", Msg: "names the same procedure twice"},
	"procedure_follow_up_plan_fk":        {Field: "follow_ups", Msg: "names no plan"},
	"procedure_follow_up_pk":             {Field: "follow_ups", Msg: "names the same plan twice"},

	"plan_code_uq":                  {Kind: fault.Conflict, Field: "code", Msg: "is in use by another plan"},
	"plan_code_form":                {Field: "code", Msg: "takes 1 to 24 capital letters, digits and hyphens"},
	"plan_title_given":              {Field: "title", Msg: "must not be blank"},
	"plan_procedure_fk":             {Field: "procedure_id", Msg: "names no procedure"},
	"plan_version_number_uq":        {Kind: fault.Conflict, Field: "number", Msg: "somebody began a version of this plan at the same time; read it and repeat"},
	"plan_version_applies_to_known": {Field: "applies_to", Msg: "is site, line, position or unit"},
	"plan_version_units_in_known":   {Field: "units_in", Msg: "is fitted, stock or anywhere"},
	"plan_version_units_fit":        {Field: "units_in", Msg: "and classes are given for plans of units, and for no others"},
	"plan_version_tied_to_fk":       {Field: "tied_to", Msg: "names no class of component"},

	"assignment_override_reason_given": {Field: "reason", Msg: "must not be blank"},
	"task_title_given":                 {Field: "title", Msg: "must not be blank"},
	"task_criticality_known":           {Field: "criticality", Msg: "is S, A, B or C"},
	"task_site_fk":                     {Field: "site_id", Msg: "names no site"},
	"task_line_fk":                     {Field: "line_id", Msg: "names no line of this site"},
	"task_position_fk":                 {Field: "position_id", Msg: "names no position of this site"},
	"task_unit_fk":                     {Field: "unit_id", Msg: "names no unit"},
	"task_procedure_fk":                {Field: "procedure_id", Msg: "names no procedure"},
	"task_reason_given":                {Field: "reason", Msg: "must not be blank"},
	"task_window_real":                 {Field: "due_on", Msg: "lies within its window: not before earliest_on and not after latest_on"},
	"task_one_open_uq":                 {Kind: fault.Conflict, Field: "assignment_id", Msg: "has an open task already"},
	"task_note_body_given":             {Field: "body", Msg: "must not be blank"},
	"completion_minutes_real":          {Field: "minutes", Msg: "lie between 0 and 10080"},
	"completion_person_name_given":     {Field: "people", Msg: "have names that are not blank"},
	"completion_person_actor_fk":       {Field: "people", Msg: "names nobody who is known"},
	"completion_position_position_fk":  {Field: "positions", Msg: "names no position of this site"},
	"completion_position_pk":           {Field: "positions", Msg: "names the same position twice"},
	"check_answer_reason_given":        {Field: "not_possible", Msg: "must not be blank: it says why"},
	"check_answer_photo_fk":            {Field: "photo_id", Msg: "names no photo"},

	"skill_evidence_actor_fk":      {Kind: fault.NotFound, Msg: "no such account"},
	"skill_evidence_skill_fk":      {Field: "skill", Msg: "names no skill"},
	"skill_evidence_given":         {Field: "evidence", Msg: "must not be blank: a licence, a course, a signed check"},
	"skill_evidence_in_order":      {Field: "expires_on", Msg: "must not lie before issued_on"},
	"isolation_entry_act_known":    {Field: "act", Msg: "is one of prepared, told, shut_down, isolated, locked, relieved, proved, clear, off_for_test, back_on, left_on, inspected, unlocked, told_after and restored"},
	"isolation_entry_point_fk":     {Field: "point_id", Msg: "names no isolation point of this site"},
	"isolation_entry_person_given": {Field: "person", Msg: "must not be blank"},
	"isolation_entry_lock_named":   {Field: "lock_id", Msg: "names the lock in what is said of a lock, and only there"},
	"isolation_entry_proof_whole":  {Field: "how", Msg: "and instrument are needed where somebody has proved: how it was tried and with what"},
	"job_record_task_fk":           {Field: "task_id", Msg: "names no task"},
	"job_record_procedure_fk":      {Field: "procedure", Msg: "names no procedure that is published"},
	"job_record_position_fk":       {Field: "position_id", Msg: "names no position of this site"},
	"job_record_line_fk":           {Field: "line_id", Msg: "names no line of this site"},
	"job_record_one_open_uq":       {Kind: fault.Conflict, Field: "task_id", Msg: "has an open record already"},
	"job_record_reason_given":      {Field: "reason", Msg: "must not be blank"},
	"job_record_visit_fk":          {Field: "visit_id", Msg: "names no visit to this site"},
	"record_entry_visit_fk":        {Field: "visit_id", Msg: "names no visit to this site"},
	"isolation_entry_visit_fk":     {Field: "visit_id", Msg: "names no visit to this site"},
	"record_entry_act_known":       {Field: "act", Msg: "is one of step, check, reading, swap, part, exchange, note, arrived and left"},
	"record_entry_outcome_known":   {Field: "outcome", Msg: "is one of done, not_ok and not_possible"},
	"record_entry_person_given":    {Field: "person", Msg: "must not be blank"},
	"record_entry_step_fk":         {Field: "step_id", Msg: "names no step of this record"},
	"record_entry_step_answered":   {Field: "outcome", Msg: "is given with step_id in an answer to a step, and only there"},
	"record_entry_reason_given":    {Field: "note", Msg: "must say why something was not done"},
	"entry_look_remark_given":      {Field: "remark", Msg: "must not be blank: it says what was found when it was looked at"},

	"failure_site_fk":                 {Field: "site_id", Msg: "names no site"},
	"failure_line_fk":                 {Field: "line_id", Msg: "names no line of this site"},
	"failure_position_fk":             {Field: "position_id", Msg: "names no position of this site"},
	"failure_unit_fk":                 {Field: "unit_id", Msg: "names no unit"},
	"failure_unit_has_a_position":     {Field: "unit_id", Msg: "needs the position in which it is or was"},
	"failure_said":                    {Field: "says", Msg: "must not be blank"},
	"failure_says_short":              {Field: "says", Msg: "takes at most 2000 characters"},
	"failure_detected_known":          {Field: "detected", Msg: "is operator, customer, alarm, inspection or technician"},
	"failure_before_known":            {Field: "before", Msg: "is up, degraded, down or unknown"},
	"failure_line_effect_known":       {Field: "line_effect", Msg: "is none, degraded, parked or down"},
	"failure_caller_short":            {Field: "caller", Msg: "takes at most 200 characters"},
	"failure_payer_known":             {Field: "payer", Msg: "is not_said, agreement, distributor, customer, supplier or insurer"},
	"failure_vehicles_real":           {Field: "vehicles_lost", Msg: "is a whole number from 0 to 100000"},
	"failure_remedy_short":            {Field: "remedy", Msg: "takes at most 2000 characters"},
	"failure_cause_fk":                {Field: "caused_by_id", Msg: "names no fault of this site"},
	"failure_not_its_own_cause":       {Field: "caused_by_id", Msg: "names another fault: none is its own cause"},
	"failure_noticed_then_reported":   {Field: "reported_at", Msg: "does not lie before noticed_at: nobody reports what nobody has noticed"},
	"failure_stopped_then_restored":   {Field: "restored_at", Msg: "does not lie before stopped_at"},
	"failure_noticed_then_restored":   {Field: "restored_at", Msg: "does not lie before noticed_at"},
	"failure_withdrawn_reason_given":  {Field: "reason", Msg: "must not be blank"},
	"failure_finding_mode_fk":         {Field: "mode", Msg: "names no failure mode"},
	"failure_finding_mechanism_known": {Field: "mechanism", Msg: "is unknown, wear, corrosion, leakage, looseness, fatigue, breakage, deformation, vibration, sticking, overheating, overload, contamination, blockage, moisture, ageing, electrical, faulty_signal, out_of_adjustment, installation, impact, hidden or no_fault_found"},
	"failure_finding_cause_known":     {Field: "cause", Msg: "is unknown, expected_wear, design, material, fabrication, installation, maintenance, operation, beyond_design, vehicle_or_vandalism, other_failure, weather or no_cause_found"},
	"failure_finding_note_short":      {Field: "note", Msg: "takes at most 2000 characters"},
	"failure_task_temporary_short":    {Field: "says", Msg: "takes at most 2000 characters"},
	"failure_task_temporary_said":     {Field: "says", Msg: "must not be blank: what holds meanwhile"},

	"core_bought_unit_fk":                {Field: "bought_unit_id", Msg: "names no unit"},
	"core_deadline_later":                {Field: "deadline_on", Msg: "must not lie before the deposit was paid"},
	"core_deposit_credit_real":           {Field: "credited_minor", Msg: "lies between 0 and the deposit"},
	"core_deposit_currency_form":         {Field: "currency", Msg: "is a code of three letters by ISO 4217"},
	"core_deposit_real":                  {Field: "deposit_minor", Msg: "must not be negative"},
	"core_order_line_fk":                 {Field: "order_line_id", Msg: "names no order line"},
	"core_part_fk":                       {Field: "part_id", Msg: "names no part"},
	"core_supplier_fk":                   {Field: "supplier_id", Msg: "names no supplier"},
	"core_unit_fk":                       {Field: "unit_id", Msg: "names no unit"},
	"lot_code_form":                      {Field: "lot", Msg: "takes 1 to 64 characters without spaces at its ends"},
	"stock_balance_not_below_zero":       {Kind: fault.Conflict, Field: "amount", Msg: "is more than there is"},
	"stock_claim_criticality_known":      {Field: "criticality", Msg: "is S, A, B or C"},
	"stock_claim_location_fk":            {Field: "location_id", Msg: "names no location"},
	"stock_claim_part_fk":                {Field: "part_id", Msg: "names no part"},
	"stock_claim_position_fk":            {Field: "position_id", Msg: "names no position of this site"},
	"stock_claim_purpose_given":          {Field: "purpose", Msg: "must not be blank"},
	"stock_claim_site_fk":                {Field: "site_id", Msg: "names no site"},
	"stock_claim_task_fk":                {Field: "task_id", Msg: "names no task"},
	"stock_claim_unit_once":              {Kind: fault.Conflict, Field: "unit_id", Msg: "is set aside for other work"},
	"stock_count_line_by_two":            {Kind: fault.Conflict, Field: "items", Msg: "are counted again by a second person, not by the first"},
	"stock_level_least_real":             {Field: "least", Msg: "must not be negative"},
	"stock_level_location_fk":            {Field: "location_id", Msg: "names no location"},
	"stock_level_most_real":              {Field: "most", Msg: "is not below the least"},
	"stock_level_part_fk":                {Field: "part_id", Msg: "names no part"},
	"supplier_order_line_part_fk":        {Field: "lines", Msg: "names no part"},
	"supplier_order_location_fk":         {Field: "location_id", Msg: "names no location"},
	"supplier_order_price_currency_form": {Field: "currency", Msg: "is a code of three letters by ISO 4217"},
	"supplier_order_price_real":          {Field: "price_minor", Msg: "must not be negative"},
	"supplier_order_supplier_fk":         {Field: "supplier_id", Msg: "names no supplier"},
	"warranty_ends_later":                {Field: "ends_on", Msg: "must not lie before its start"},
	"warranty_one_of_a_giver":            {Kind: fault.Conflict, Field: "giver", Msg: "has a clock running on this unit in that time"},
	"warranty_supplier_fk":               {Field: "supplier_id", Msg: "names no supplier"},
	"warranty_unit_fk":                   {Field: "unit_id", Msg: "names no unit"},
	"planning_rule_site_minutes_real":    {Field: "site_minutes", Msg: "lies between 0 and 480"},
	"planning_rule_day_minutes_real":     {Field: "day_minutes", Msg: "lies between 60 and 1440"},
	"planning_rule_road_factor_real":     {Field: "road_factor", Msg: "is road kilometres for one as the crow flies, from 1 to 10"},
	"planning_rule_speed_real":           {Field: "speed_km_h", Msg: "lies between 1 and 200"},
	"planning_rule_distances_known":      {Field: "distances", Msg: "is km or miles"},
	"planning_rule_working_days_iso":     {Field: "working_days", Msg: "are 1 (Monday) to 7 (Sunday), at least one"},
	"planning_rule_closed_bounded":       {Field: "closed", Msg: "lists at most 400 days"},
	"planning_rule_latitude_on_earth":    {Field: "latitude", Msg: "lies between -90 and 90 degrees"},
	"planning_rule_longitude_on_earth":   {Field: "longitude", Msg: "lies between -180 and 180 degrees"},
	"planning_rule_place_whole":          {Field: "latitude", Msg: "is given together with longitude or not at all"},
	"planning_rule_twin_real":            {Field: "twin_percent", Msg: "lies between 1 and 100"},
	"planning_rule_target_real":          {Field: "target_percent", Msg: "lies between 1 and 99"},
	"planning_cost_hour_real":            {Field: "hour_minor", Msg: "lies between 0 and 100000000 minor units"},
	"planning_cost_trip_real":            {Field: "trip_minor", Msg: "lies between 0 and 100000000 minor units"},
	"planning_cost_currency_form":        {Field: "currency", Msg: "is a code of three letters by ISO 4217"},

	"calendar_address_shows_known":            {Field: "shows", Msg: "is all, site or person"},
	"calendar_address_site_fk":                {Field: "site_id", Msg: "names no site"},
	"calendar_address_person_fk":              {Field: "person_id", Msg: "names nobody who can go"},
	"person_preference_hour_real":             {Field: "digest_hour", Msg: "lies between 0 and 23"},
	"person_preference_units_known":           {Field: "units", Msg: "is one of as_entered, metric, us"},
	"person_preference_digest_goes_somewhere": {Field: "email", Msg: "is needed: the letter has to go somewhere"},
	"calendar_address_of_one":                 {Field: "shows", Msg: "goes with site_id for site, person_id for person, and neither for all"},

	"visit_site_fk":                 {Field: "site_id", Msg: "names no site"},
	"visit_van_fk":                  {Field: "van_id", Msg: "names no location"},
	"visit_next_fk":                 {Field: "next_id", Msg: "names no visit"},
	"visit_next_is_another":         {Field: "next_id", Msg: "is another visit"},
	"visit_hours_real":              {Field: "minutes", Msg: "lies between 1 and 1440"},
	"visit_reason_known":            {Field: "reason", Msg: "is one of no_access, weather, part_missing, part_wrong, people, unsafe, line_needed, called_away, van and other"},
	"visit_abandoned_why":           {Field: "why", Msg: "must say what happened"},
	"visit_one_van":                 {Kind: fault.Conflict, Field: "van_id", Msg: "is on another visit in those hours"},
	"visit_person_uq":               {Field: "people", Msg: "names the same person twice"},
	"visit_person_person_fk":        {Field: "people", Msg: "names nobody"},
	"visit_person_during_real":      {Field: "people", Msg: "are there for a part of the visit's hours"},
	"visit_person_one_place":        {Kind: fault.Conflict, Field: "people", Msg: "are on another visit in those hours"},
	"visit_task_task_fk":            {Field: "tasks", Msg: "names no task"},
	"visit_task_one_visit_uq":       {Kind: fault.Conflict, Field: "tasks", Msg: "are on another visit; say that they move"},
	"visit_entry_person_fk":         {Field: "person_id", Msg: "names nobody"},
	"visit_entry_act_known":         {Field: "act", Msg: "is one of left, arrived, started and finished"},
	"visit_left_kind_known":         {Field: "left.kind", Msg: "is one of out_of_service, lock_on, in_parts, parts_there and other"},
	"visit_left_says_something":     {Field: "left.says", Msg: "must not be blank"},
	"visit_left_position_fk":        {Field: "left.position_id", Msg: "names no position of this site"},
	"visit_want_task_fk":            {Field: "wants.task_id", Msg: "names no task"},
	"visit_want_part_fk":            {Field: "wants.part_id", Msg: "names no part"},
	"visit_want_amount_real":        {Field: "wants.amount", Msg: "lies above 0"},
	"visit_decision_task_fk":        {Field: "task_id", Msg: "names no task"},
	"visit_decision_known":          {Field: "decision", Msg: "is one of go, go_without, wait and move"},
	"visit_decision_reason_given":   {Field: "reason", Msg: "must not be blank"},
	"planning_choice_site_fk":       {Field: "site_id", Msg: "names no site"},
	"planning_choice_assignment_fk": {Field: "assignment_id", Msg: "names no assignment"},
	"planning_choice_task_fk":       {Field: "task_id", Msg: "names no task"},
	"planning_choice_of_one":        {Field: "task_id", Msg: "or assignment_id is given, and not both"},
	"planning_choice_reason_given":  {Field: "reason", Msg: "must not be blank"},
	"van_tick_van_fk":               {Field: "van_id", Msg: "names no location"},
	"van_tick_item_given":           {Field: "item", Msg: "must not be blank"},
}

// retryIn is what a caller is told to wait while the database is away.
const retryIn = 2 * time.Second

// Explained turns a failure of the database into a fault, for whoever goes on in the same
// transaction after a part of it was taken back.
func Explained(err error) error { return explain(err) }

// explain turns a failure of the database into a fault. What it does not know
// stays as it is and so counts as internal.
func explain(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := errors.AsType[*fault.Error](err); ok {
		return err
	}
	if pe, ok := errors.AsType[*pgconn.PgError](err); ok {
		if f, ok := meaning[pe.ConstraintName]; ok {
			if f.Kind == fault.Internal {
				f.Kind = fault.Invalid
			}
			f.Err = err
			return &f
		}
		_, refused := errors.AsType[*pgconn.ConnectError](err)
		switch {
		case refused: // whatever the server said, it let nobody in
			return away("the database is not available at the moment", err)
		case pe.Code == "42501" && strings.Contains(pe.Message, "row-level security"):
			return &fault.Error{Kind: fault.Forbidden, Msg: "your roles do not include that", Err: err}
		case pe.Code == "40001", pe.Code == "40P01", pe.Code == "55P03":
			return away("somebody else changed the same things in this instant; send it again", err)
		case pe.Code == "25006":
			return away("the database takes no writes at the moment", err)
		case pe.Code == "55000" && strings.Contains(pe.Message, "accepting connections"), strings.HasPrefix(pe.Code, "08"), strings.HasPrefix(pe.Code, "53"), strings.HasPrefix(pe.Code, "57"), strings.HasPrefix(pe.Code, "58"):
			return away("the database is not available at the moment", err)
		case pe.Code == "22021", pe.Code == "22P05": // the second from within a JSON document
			return &fault.Error{Kind: fault.Malformed, Msg: "text must not hold a zero byte and must be UTF-8", Err: err}
		}
		return err
	}
	if errors.Is(err, context.Canceled) {
		return err
	}
	_, noConnection := errors.AsType[*pgconn.ConnectError](err)
	_, network := errors.AsType[net.Error](err)
	if noConnection || network || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, context.DeadlineExceeded) || strings.Contains(err.Error(), "conn closed") || strings.Contains(err.Error(), "bad connection") {
		return away("the database is not available at the moment", err)
	}
	return err
}

func away(msg string, err error) error {
	return &fault.Error{Kind: fault.Unavailable, Msg: msg, RetryAfter: retryIn, Err: err}
}
