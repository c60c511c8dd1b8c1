package alerts

import (
	"math"
	"time"

	"rearguard/alerts/wording"
)

// Alarm is the whole memory of one alarm. Activity, acknowledgement and the
// three ways of silencing are parallel flags, as in OPC UA Part 9 section 4.8;
// State derives the one name of the standard from them. An Alarm survives a
// JSON round trip unchanged: a machine restored from it continues exactly as
// the first would have.
type Alarm struct {
	Key Key `json:"key"`
	// Occurrence numbers the trouble now open, from 1 in order of raising
	// over the whole facility; 0 while none is open.
	Occurrence int64 `json:"occurrence,omitempty"`

	// Active is the condition after on-delay and off-delay.
	Active bool `json:"active,omitempty"`
	// Acked says that a person has taken the open occurrence on.
	Acked bool `json:"acked,omitempty"`

	Silencing
	Folded
	Course
	// Owed is set while the alarm is silenced and must call once when that
	// ends, should it still be active.
	Owed bool `json:"owed,omitempty"`
	Finding

	// On and Off are the running delays.
	On  Delay `json:"on,omitzero"`
	Off Delay `json:"off,omitzero"`

	// Activations are the recent times at which the alarm became active,
	// oldest first; they tell chattering.
	Activations []time.Time `json:"activations,omitempty"`
	Chattering  bool        `json:"chattering,omitempty"`
	// Fleeting is set when the open occurrence ended before anybody could
	// have acted.
	Fleeting bool `json:"fleeting,omitempty"`
	// UpdatedAt is the time of the last change.
	UpdatedAt time.Time `json:"updated_at,omitzero"`
}

// Silencing says who has silenced an alarm by hand, and why.
type Silencing struct {
	// ShelvedUntil is when shelving ends by itself; zero when not shelved.
	ShelvedUntil time.Time `json:"shelved_until,omitzero"`
	ShelvedBy    string    `json:"shelved_by,omitempty"`
	ShelveReason string    `json:"shelve_reason,omitempty"`
	// OutOfService is set during maintenance.
	OutOfService       bool   `json:"out_of_service,omitempty"`
	OutOfServiceBy     string `json:"out_of_service_by,omitempty"`
	OutOfServiceReason string `json:"out_of_service_reason,omitempty"`
}

func (s Silencing) silencedByHand() bool { return s.OutOfService || !s.ShelvedUntil.IsZero() }

// Folded says of which root an alarm is the consequence.
type Folded struct {
	// Under is the root alarm of which this one is a consequence, nil for
	// none. UnfoldAt is when it is let go after its root has returned.
	Under    *Key      `json:"under,omitempty"`
	UnfoldAt time.Time `json:"unfold_at,omitzero"`
	// NamedRoot is the root the last observation named.
	NamedRoot *Key `json:"named_root,omitempty"`
}

// Course is what the open occurrence has been through.
type Course struct {
	RaisedAt  time.Time `json:"raised_at,omitzero"`
	ClearedAt time.Time `json:"cleared_at,omitzero"`
	AckedAt   time.Time `json:"acked_at,omitzero"`
	AckedBy   string    `json:"acked_by,omitempty"`
	// AckMoved is by how much the clock has been moved since AckedAt.
	AckMoved time.Duration `json:"ack_moved,omitempty"`
	// Going is set while AckedBy is on the way.
	Going bool `json:"going,omitempty"`
	// AckedValue and AckedLimit are what was found at the last acknowledgement.
	// VainAt is when it is looked at whether that has led to anything, zero
	// for never.
	AckedValue float64   `json:"acked_value,omitempty"`
	AckedLimit float64   `json:"acked_limit,omitempty"`
	VainAt     time.Time `json:"vain_at,omitzero"`
	// Annunciations counts how often the open occurrence called a person,
	// repetitions included; LastAnnunciated is the last call that was not one.
	// Recurrences counts how often it returned and became true again.
	Annunciations   int       `json:"annunciations,omitempty"`
	LastAnnunciated time.Time `json:"last_annunciated,omitzero"`
	Recurrences     int       `json:"recurrences,omitempty"`
	// Repeats counts the repetitions of the last call, RepeatAt is when it is
	// repeated next; zero while it is not to be.
	Repeats  int       `json:"repeats,omitempty"`
	RepeatAt time.Time `json:"repeat_at,omitzero"`
}

// Finding is what the last observation said that was not unknown, and since
// when nothing has been known.
type Finding struct {
	Truth      Truth     `json:"truth,omitempty"`
	ObservedAt time.Time `json:"observed_at,omitzero"`
	// FalseSince is when the active alarm was last found false after not
	// having been so.
	FalseSince time.Time `json:"false_since,omitzero"`
	// Value and Limit are in Unit; without a unit there is no number.
	Value float64 `json:"value,omitempty"`
	Limit float64 `json:"limit,omitempty"`
	Unit  string  `json:"unit,omitempty"`
	// AirC is the temperature in °C of the air of which Value, a vapour pressure
	// deficit, was told.
	AirC   *float64     `json:"air_c,omitempty"`
	Detail wording.Text `json:"detail,omitzero"`
	Due    time.Time    `json:"due,omitzero"`
	// UnknownSince is since when there has not been enough good data to tell,
	// so that the alarm is held as it is; zero while there is. Want says what
	// is missing.
	UnknownSince time.Time    `json:"unknown_since,omitzero"`
	Want         wording.Text `json:"want,omitzero"`
}

// Words are the detail for people, with what is missing to tell how it is now.
func (f *Finding) Words() wording.Text {
	switch {
	case f.Want.IsZero():
		return f.Detail
	case f.Detail.IsZero():
		return wording.Say("not known now: %s", wording.Of(f.Want))
	}
	return f.Detail.And("; not known now: %s", wording.Of(f.Want))
}

// State returns the ISA-18.2 name of the alarm's state. Silencing comes
// first: what is out of service is shown so even if it is shelved as well.
func (a Alarm) State() State {
	switch {
	case a.OutOfService:
		return OutOfService
	case a.Under != nil:
		return Suppressed
	case !a.ShelvedUntil.IsZero():
		return Shelved
	case a.Active && a.Acked:
		return Acknowledged
	case a.Active:
		return Unacknowledged
	case a.Occurrence != 0:
		return Returned
	}
	return Normal
}

// Silenced reports whether the alarm may not call anybody now.
func (a Alarm) Silenced() bool { return a.silencedByHand() || a.Under != nil }

// waits reports whether the alarm is active and nobody has taken it on.
func (a Alarm) waits() bool { return a.Active && !a.Acked }

// Quiet reports whether a carries nothing worth remembering: such an alarm need
// not be stored.
func (a Alarm) Quiet() bool {
	return a.State() == Normal && a.On.idle() && len(a.Activations) == 0
}

// better reports whether what was found is better than it was when the alarm was
// acknowledged: within the limit again, or nearer to it by the deadband.
func (a Alarm) better(deadband float64) bool {
	if a.Truth != True {
		return true
	}
	gained := math.Abs(a.AckedValue-a.AckedLimit) - math.Abs(a.Value-a.Limit)
	return a.Unit != "" && gained > 0 && gained >= deadband
}

// close ends the open occurrence. Silencing, timers and the chatter memory
// belong to the alarm, not to the occurrence, and stay.
func (a Alarm) close() Alarm {
	found := a.Finding
	found.FalseSince, found.Due = time.Time{}, time.Time{}
	found.UnknownSince, found.Want = time.Time{}, wording.Text{}
	return Alarm{
		Key: a.Key, Silencing: a.Silencing, Folded: Folded{NamedRoot: a.NamedRoot}, Owed: a.Owed, Finding: found,
		On: a.On, Activations: a.Activations, UpdatedAt: a.UpdatedAt,
	}
}

// Transition is one step of one alarm, as it goes into the audit.
type Transition struct {
	Occurrence int64     `json:"occurrence,omitempty"`
	Key        Key       `json:"key"`
	Time       time.Time `json:"time"`
	Event      Event     `json:"event"`
	From       State     `json:"from"`
	To         State     `json:"to"`
	// Who is the person who gave the command, empty for the machine itself.
	Who    string `json:"who,omitempty"`
	Reason string `json:"reason,omitempty"`
	// Annunciate asks for a person's attention.
	Annunciate bool `json:"annunciate,omitempty"`
	// Cleared says that an occurrence of which people were told has returned
	// to normal; it is set under silencing too, so that good news gets out.
	Cleared bool `json:"cleared,omitempty"`
	// Alarm is the alarm right after the step, and right before its
	// occurrence was closed where the step closed it: what a notice tells is
	// still in it when the machine has already forgotten.
	Alarm Alarm `json:"-"`
}

// Delay is a delay being waited out. Its time stands still while the truth is
// unknown. An unknown stretch longer than the delay itself makes the evidence
// before it stale: the delay then starts afresh.
type Delay struct {
	// Counted is the time waited before the last pause.
	Counted time.Duration `json:"counted,omitempty"`
	// Since is when it began to run; zero while paused or idle.
	Since time.Time `json:"since,omitzero"`
	// PausedAt is when the truth became unknown; zero unless paused.
	PausedAt time.Time `json:"paused_at,omitzero"`
}

func (d Delay) idle() bool { return d == Delay{} }

func (d Delay) run(now time.Time, full time.Duration) Delay {
	switch {
	case !d.Since.IsZero():
		return d
	case !d.PausedAt.IsZero() && now.Sub(d.PausedAt) <= full:
		return Delay{Counted: d.Counted, Since: now}
	}
	return Delay{Since: now}
}

func (d Delay) pause(now time.Time) Delay {
	if d.Since.IsZero() {
		return d
	}
	return Delay{Counted: d.Counted + now.Sub(d.Since), PausedAt: now}
}

// due is when the delay will be over; zero while it does not run.
func (d Delay) due(full time.Duration) time.Time {
	if d.Since.IsZero() {
		return time.Time{}
	}
	return d.Since.Add(max(0, full-d.Counted))
}
