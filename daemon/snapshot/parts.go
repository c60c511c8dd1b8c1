package snapshot

import (
	"slices"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/alerts/notify/circuit"
	"rearguard/sensors"
)

// NoticeState counts notices by what became of them.
type NoticeState struct {
	Totals  []NoticeTotal
	Pending int
	// Trouble is what stands in the way of delivery.
	Trouble DeliveryTrouble
	// Failing are the channels that do not work.
	Failing []circuit.State
	// Overdue counts urgent notices that should have reached somebody by now.
	Overdue int
	// Sites are the other sites that are to be heard of.
	Sites []conditions.SiteSign
}

// Equal reports whether s says the same as other.
func (s NoticeState) Equal(other NoticeState) bool {
	return s.Pending == other.Pending && s.Overdue == other.Overdue && !s.Trouble.Differs(other.Trouble) && slices.Equal(s.Totals, other.Totals) && slices.Equal(s.Failing, other.Failing) && slices.Equal(s.Sites, other.Sites)
}

// PartsState is how rearguard's own parts stand that lie outside the fold. It
// is journaled whenever it changes, since alarms follow from it.
type PartsState struct {
	Store    PartTrouble     `json:"store,omitzero"`
	Delivery DeliveryTrouble `json:"delivery,omitzero"`
	// Damage is what of the records cannot be read, Doubt why they may not be
	// the right ones.
	Damage PartTrouble `json:"damage,omitzero"`
	Doubt  PartTrouble `json:"doubt,omitzero"`
	// Clock is what speaks against the machine's clock.
	Clock PartTrouble `json:"clock,omitzero"`
	// ClockBelieved is set since that was over.
	ClockBelieved bool `json:"clock_believed,omitempty"`
	// Sites are the other sites, those that are not to be heard of any more
	// included.
	Sites []conditions.SiteSign `json:"sites,omitempty"`
}

// PartTrouble is what is wrong with a part; the zero value is nothing.
type PartTrouble struct {
	Since   time.Time `json:"since,omitzero"`
	Problem string    `json:"problem,omitempty"`
}

// Next is the state once the records say at a time what keeps them from being
// written, what of them cannot be read and why they are doubted, and what speaks
// against the machine's clock, each empty for nothing, and whether that is worth an event.
func (s PartsState) Next(at time.Time, store, damage, doubt, clock string, notices *NoticeState) (next PartsState, differs bool) {
	next = PartsState{
		Store: s.Store, Delivery: notices.Trouble, Sites: sitesAfter(s.Sites, notices.Sites),
		Damage: s.Damage.Becomes(damage, at), Doubt: s.Doubt.Becomes(doubt, at), Clock: s.Clock.Becomes(clock, at),
		ClockBelieved: clock == "" && (s.ClockBelieved || s.Clock.Problem != ""),
	}
	if (store == "") != (s.Store.Problem == "") {
		next.Store = s.Store.Becomes(store, at)
	}
	return next, next.Store != s.Store || next.Damage != s.Damage || next.Doubt != s.Doubt || next.Clock != s.Clock || notices.Trouble.Differs(s.Delivery) || !slices.Equal(next.Sites, s.Sites)
}

// sitesAfter are the sites of now, and those of before that are not among them as
// ones of which nothing is to be heard: their alarms end.
func sitesAfter(before, now []conditions.SiteSign) []conditions.SiteSign {
	list := slices.Clone(now)
	for _, s := range before {
		if !slices.ContainsFunc(now, func(o conditions.SiteSign) bool { return o.ID == s.ID }) {
			s.Since = time.Time{}
			list = append(list, s)
		}
	}
	return list
}

// Moved is the state once the clock was moved: it has lasted as long as before.
func (s PartsState) Moved(by time.Duration) PartsState {
	for _, p := range []*PartTrouble{&s.Store, &s.Damage, &s.Doubt, &s.Clock} {
		p.Since = sensors.Moved(p.Since, by)
	}
	s.Sites = slices.Clone(s.Sites)
	for i := range s.Sites {
		s.Sites[i].Since = sensors.Moved(s.Sites[i].Since, by)
	}
	return s
}

// Becomes is the trouble once the part says at a time what is wrong with it,
// empty for nothing. It began when something was first wrong.
func (p PartTrouble) Becomes(problem string, at time.Time) PartTrouble {
	switch {
	case problem == "":
		return PartTrouble{}
	case p.Problem != "":
		at = p.Since
	}
	return PartTrouble{at, problem}
}

// DeliveryTrouble is what stands in the way of notices; zero for nothing.
type DeliveryTrouble struct {
	// Waiting counts notices that were tried in vain, Oldest is when the
	// first of them was written, Problem what the last attempt met with.
	Waiting int       `json:"waiting,omitempty"`
	Oldest  time.Time `json:"oldest,omitzero"`
	Problem string    `json:"problem,omitempty"`
	// Unproven says why it is not known whether notices arrive.
	Unproven string `json:"unproven,omitempty"`
}

// Differs reports whether the change is worth an event: how many wait changes
// with every notice and says little.
func (d DeliveryTrouble) Differs(o DeliveryTrouble) bool {
	return (d.Waiting == 0) != (o.Waiting == 0) || !d.Oldest.Equal(o.Oldest) || d.Problem != o.Problem || d.Unproven != o.Unproven
}

// Condition is what the conditions see of the parts and of the broker link.
func (s PartsState) Condition(link *Link) conditions.FacilityState {
	return conditions.FacilityState{
		Broker: conditions.PartState{
			Known: !link.Since.IsZero(), Working: link.Connected && link.Subscribed,
			Since: link.Since, Name: link.Address, Problem: link.Problem,
		},
		BrokerCertificateEnds: link.CertificateEnds,
		Store:                 s.Store.condition("the database file"), Damage: s.Damage.condition("the records"), Doubt: s.Doubt.condition("the records"),
		Undelivered: s.Delivery.Waiting, OldestUndelivered: s.Delivery.Oldest, DeliveryProblem: s.Delivery.Problem, DrillProblem: s.Delivery.Unproven,
		Sites: s.Sites, ClockDoubt: s.Clock.Problem, ClockDoubtSince: s.Clock.Since, ClockBelieved: s.ClockBelieved,
	}
}

func (p PartTrouble) condition(name string) conditions.PartState {
	return conditions.PartState{Known: true, Working: p.Problem == "", Since: p.Since, Name: name, Problem: p.Problem}
}
