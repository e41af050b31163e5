package record

const heads = `
select r.id, r.number, r.site_id, s.code as site, s.name as site_name, s.zone, r.line_id, r.position_id, coalesce(p.code, '') as position, coalesce(p.name, '') as position_name,
       r.task_id, coalesce((select w.visit_id from visit_task_now as w where w.task_id = r.task_id and w.state = 'under_way'), r.visit_id) as visit_id, r.title, r.method, r.people, r.skills, r.energies, r.state, r.opened_at, coalesce(o.name, '') as opened_by,
       r.ended_at, coalesce(e.name, '') as ended_by, r.ended_why, r.unseen, r.version
  from job_record as r
  join site as s on s.id = r.site_id
  left join position as p on p.id = r.position_id
  left join actor as o on o.id = r.opened_by
  left join actor as e on e.id = r.ended_by`

// Everything of a card in one row: what belongs to it comes as documents, so that the
// number of statements does not grow with it.
const whole = `
select r.id, cast(r.facts as text) as facts, cast(r.turning as text) as turning, cast(r.connection as text) as connection, cast(r.points as text) as points,
       cast((select coalesce(jsonb_agg(jsonb_build_object('Ordinal', x.ordinal, 'VersionID', x.procedure_version_id, 'Code', x.code, 'Number', x.number, 'Title', x.title,
               'TaskID', x.task_id, 'Why', x.why, 'AddedAt', x.added_at, 'AddedBy', coalesce(a.name, '')) order by x.ordinal), '[]')
               from record_procedure as x left join actor as a on a.id = x.added_by where x.record_id = r.id) as text) as procedures,
       cast((select coalesce(jsonb_agg(jsonb_build_object('Code', c.code, 'Prompt', c.prompt, 'Kind', c.kind, 'Unit', c.unit, 'Options', c.options)), '[]')
               from record_procedure as x join procedure_check as c on c.version_id = x.procedure_version_id where x.record_id = r.id) as text) as checks,
       cast((select coalesce(jsonb_agg(to_jsonb(x) order by x.ordinal), '[]') from record_step as x where x.record_id = r.id) as text) as steps,
       cast((select coalesce(jsonb_agg(to_jsonb(x) || jsonb_build_object('named', jsonb_build_object(
               'Unit', (select u.tag from unit as u where u.id = cast(x.said ->> 'in' as uuid)), 'Slot', (select f.code from slot as f where f.id = cast(x.said ->> 'slot_id' as uuid)),
               'Part', (select q.number from part as q where q.id = cast(x.said ->> 'part_id' as uuid)), 'Counter', (select m.code from meter as m where m.id = cast(x.said ->> 'meter_id' as uuid)),
               'From', (select l.code from location as l where l.id = cast(x.said ->> 'from' as uuid)), 'To', (select l.code from location as l where l.id = cast(x.said ->> 'to' as uuid))))
               order by x.at, x.made, x.id), '[]') from record_entry as x where x.record_id = r.id) as text) as entries,
       cast((select coalesce(jsonb_agg(jsonb_build_object('EntryID', l.entry_id, 'Mark', l.mark, 'Remark', l.remark, 'LookedAt', l.looked_at, 'LookedBy', coalesce(a.name, ''))), '[]')
               from entry_look as l left join actor as a on a.id = l.looked_by
              where l.site_id = r.site_id and (l.record_id = r.id or l.entry_id in (
                    select i.id from isolation_entry as i
                     where i.point_id in (select cast(pt ->> 'id' as uuid) from jsonb_array_elements(r.points) as pt)))) as text) as looks,
       cast((select coalesce(jsonb_agg(jsonb_build_object('actor_id', k.actor_id, 'skill', k.skill, 'until', least(k.holds_until, date '9999-12-31'))), '[]')
               from skill_now as k
              where k.actor_id in (select x.person_id from record_entry as x where x.record_id = r.id
                                    union
                                   select cast(h ->> 'id' as uuid) from record_entry as x, jsonb_array_elements(x.others) as h where x.record_id = r.id)) as text) as skills
  from job_record as r
 where r.id = @id`

const addRecord = `
insert into job_record (id, site_id, line_id, position_id, task_id, visit_id, procedure_version_id, method, title, people, skills, energies, facts, turning, connection, points, opened_at, opened_by)
values (@id, @site, @line, @position, @task, @visit, @procedure, @method, @title, @people, @skills, @energies, cast(@facts as jsonb), cast(@turning as jsonb), cast(@connection as jsonb),
        cast(@points as jsonb), @now, @who)`

const addProcedure = `
insert into record_procedure (record_id, site_id, ordinal, procedure_version_id, code, number, title, task_id, why, added_at, added_by)
values (@record, @site, @ordinal, @procedure, @code, @number, @title, @task, @why, @now, @who)`

const addSteps = `
insert into record_step (id, record_id, site_id, ordinal, procedure_ordinal, label, phase, kind, says, hold, skills, needs, unsure, records, if_not, check_code)
select r.id, @record, @site, r.ordinal, r.procedure_ordinal, r.label, r.phase, r.kind, r.says, r.hold, r.skills, r.needs, r.unsure, r.records, r.if_not, r.check_code
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, ordinal double precision, procedure_ordinal smallint, label text, phase text, kind text, says text, hold boolean,
       skills text[], needs text[], unsure text[], records text[], if_not text, check_code text)`

const addEntries = `
insert into record_entry (id, record_id, site_id, step_id, visit_id, act, outcome, said, note, person_id, person, others, photo_ids, version_seen, made, done_at, offset_ms, at, received_at, recorded_by)
select r.id, @record, @site, r.step_id, r.visit_id, r.act, r.outcome, r.said, r.note, r.person_id, r.person, r.others, r.photo_ids, r.version_seen, @made,
       r.done_at, r.offset_ms, r.at, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, step_id uuid, visit_id uuid, act text, outcome text, said jsonb, note text, person_id uuid, person text, others jsonb,
       photo_ids uuid[], version_seen integer, done_at timestamptz, offset_ms bigint, at timestamptz)`
