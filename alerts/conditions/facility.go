package conditions

import (
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

// FacilityState is what EvaluateFacility looks at: rearguard itself.
type FacilityState struct {
	Now      time.Time
	Location *time.Location
	// Broker is the link to the MQTT broker, Store the records.
	Broker, Store PartState
	// BrokerCertificateEnds is when the broker's certificate is no longer
	// believed; zero while that is not known, or there is none.
	BrokerCertificateEnds time.Time
	// Damage is what of the records cannot be read, Doubt why they may not be
	// the right ones.
	Damage, Doubt PartState
	// Undelivered counts notices that no channel could deliver and that are
	// being tried again; OldestUndelivered is when the oldest was written.
	Undelivered       int
	OldestUndelivered time.Time
	DeliveryProblem   string
	// DrillProblem says why it is not known whether notices arrive; empty where a
	// drill has shown it, or none is wanted.
	DrillProblem string
	// ClockOffset is by how much the clock of this machine is ahead of the
	// times it should agree with; nil when there is nothing to compare.
	ClockOffset *time.Duration
	// ClockDoubt says what speaks against the clock of this machine, since
	// when; empty while it is believed.
	ClockDoubt      string
	ClockDoubtSince time.Time
	// ClockBelieved is set once it was doubted and is not any more.
	ClockBelieved bool
	// ClockStep is how the time was last moved.
	ClockStep ClockStep
	// Rooms are the signs of all rooms with sensors.
	Rooms []RoomSign
	// Sites are the other sites that are to be heard of.
	Sites []SiteSign
}

// SiteSign is whether another site is heard of. It survives a JSON round trip
// unchanged.
type SiteSign struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	// Since is when it was last heard of, once that is longer ago than After;
	// zero before that.
	Since time.Time     `json:"since,omitzero"`
	After time.Duration `json:"after"`
}

// ClockStep is a change of the time other than by its passing.
type ClockStep struct {
	// At is when, by the time after it; By how far, negative for back.
	At  time.Time
	By  time.Duration
	Why string
}

// PartState is the state of one part of rearguard.
type PartState struct {
	// Working is meaningless unless Known is set.
	Known, Working bool
	// Since is when the part began to work or to fail.
	Since time.Time
	// Name says which part, for example the address of the broker; Problem
	// why it does not work and what to do.
	Name, Problem string
}

const (
	// deliveryLate is how long a notice may wait before that is an alarm.
	deliveryLate = 10 * time.Minute
	// clockTolerance is how wrong the clock may be.
	clockTolerance = 2 * time.Minute
	// largeStep is how far the time may be moved without an alarm, stepShown
	// how long one is said.
	largeStep = 10 * time.Minute
	stepShown = 30 * time.Minute
	// certificateDays is how many days before its end a certificate is to be
	// renewed: three weeks leave time for whoever issues it. Common practice,
	// no published source.
	certificateDays = 21
)

// EvaluateFacility returns one finding for each condition of rearguard itself.
func EvaluateFacility(in FacilityState) []alerts.Observation {
	return append(in.sites(), []alerts.Observation{
		in.part(BrokerLost, in.Broker),
		in.certificate(),
		in.part(StoreFailing, in.Store),
		in.part(RecordsDoubted, in.Doubt),
		in.part(RecordsDamaged, in.Damage),
		in.delivery(),
		in.drills(),
		in.clockObservation(),
		in.clockStep(),
		in.mains(),
	}...)
}

// sites says of each of the other sites whether it is silent.
func (in FacilityState) sites() []alerts.Observation {
	var list []alerts.Observation
	for _, s := range in.Sites {
		o := alerts.Observation{Key: alerts.Key{Condition: SiteSilent, Subject: s.ID}, Time: in.Now, Unit: "min", Truth: alerts.False, Limit: s.After.Minutes()}
		if !s.Since.IsZero() {
			o.Truth, o.Value = alerts.True, in.Now.Sub(s.Since).Minutes()
			o.Detail = wording.Say("%s has not been heard of since %s", wording.Name(s.Name), wording.Clock(s.Since, in.Now, in.Location))
		}
		list = append(list, o)
	}
	return list
}

func (in FacilityState) found(c alerts.Condition, unit string) alerts.Observation {
	return alerts.Observation{Key: alerts.Key{Condition: c}, Time: in.Now, Unit: unit}
}

// reported is what another part says of itself.
func reported(words string) wording.Arg { return wording.Of(wording.Report(words)) }

func (in FacilityState) part(c alerts.Condition, p PartState) alerts.Observation {
	o := in.found(c, "")
	if !p.Known {
		return o
	}
	o.Truth = alerts.False
	if p.Working {
		return o
	}
	o.Truth = alerts.True
	o.Detail = wording.Report(p.Name)
	if !p.Since.IsZero() {
		o.Value = in.Now.Sub(p.Since).Minutes()
		o.Detail = o.Detail.And(", since %s", wording.Clock(p.Since, in.Now, in.Location))
	}
	if p.Problem != "" {
		o.Detail = o.Detail.And(": %s", reported(p.Problem))
	}
	return o
}

// certificate says whether the broker's certificate is about to end.
func (in FacilityState) certificate() alerts.Observation {
	o := in.found(CertificateEnding, "days")
	o.Limit = certificateDays
	if in.BrokerCertificateEnds.IsZero() {
		return o
	}
	o.Value = in.BrokerCertificateEnds.Sub(in.Now).Hours() / 24
	o.Truth = alerts.False
	if o.Value >= certificateDays {
		return o
	}
	o.Truth = alerts.True
	o.Detail = wording.Say("%s, until %s", wording.Name(in.Broker.Name), wording.Date(in.BrokerCertificateEnds))
	return o
}

func (in FacilityState) delivery() alerts.Observation {
	o := in.found(NoticeUndeliverable, "min")
	o.Truth, o.Limit = alerts.False, deliveryLate.Minutes()
	if in.Undelivered <= 0 || in.OldestUndelivered.IsZero() {
		return o
	}
	age := in.Now.Sub(in.OldestUndelivered)
	o.Value = age.Minutes()
	if age < deliveryLate {
		// Still being tried: no reason to begin, none to end.
		o.Truth = alerts.Between
		return o
	}
	o.Truth = alerts.True
	o.Detail = wording.Say("%s waiting, oldest since %s", wording.Number(float64(in.Undelivered), 0), wording.Clock(in.OldestUndelivered, in.Now, in.Location))
	if in.DeliveryProblem != "" {
		o.Detail = o.Detail.And(": %s", reported(in.DeliveryProblem))
	}
	return o
}

func (in FacilityState) drills() alerts.Observation {
	o := in.found(DrillLacking, "")
	o.Truth, o.Detail = alerts.False, wording.Report(in.DrillProblem)
	if in.DrillProblem != "" {
		o.Truth = alerts.True
	}
	return o
}

func (in FacilityState) clockObservation() alerts.Observation {
	o := in.found(ClockWrong, "s")
	o.Limit = clockTolerance.Seconds()
	if in.ClockDoubt != "" {
		// There is no number for a clock that is not believed.
		o.Truth, o.Unit, o.Limit = alerts.True, "", 0
		o.Detail = wording.Say("the clock of this machine is not believed since %s: %s", wording.Clock(in.ClockDoubtSince, in.Now, in.Location), reported(in.ClockDoubt))
		return o
	}
	if in.ClockOffset == nil {
		if in.ClockBelieved {
			o.Truth = alerts.False
		}
		return o
	}
	o.Value = math.Abs(in.ClockOffset.Seconds())
	o.Truth = alerts.Above(o.Value, o.Limit, 30)
	off := wording.Span(in.ClockOffset.Abs())
	o.Detail = wording.Say("this machine is %s ahead", off)
	if *in.ClockOffset < 0 {
		o.Detail = wording.Say("this machine is %s behind", off)
	}
	return o
}

// clockStep says for a while that the time was moved far.
func (in FacilityState) clockStep() alerts.Observation {
	o := in.found(ClockMoved, "min")
	o.Limit, o.Value = largeStep.Minutes(), in.ClockStep.By.Abs().Minutes()
	o.Truth = alerts.False
	if in.ClockStep.At.IsZero() || in.ClockStep.By.Abs() <= largeStep || in.Now.Sub(in.ClockStep.At) >= stepShown {
		return o
	}
	o.Truth = alerts.True
	by, to, why := wording.Span(in.ClockStep.By.Abs()), wording.Clock(in.ClockStep.At, in.Now, in.Location), reported(in.ClockStep.Why)
	o.Detail = wording.Say("moved forward by %s to %s: %s", by, to, why)
	if in.ClockStep.By < 0 {
		o.Detail = wording.Say("moved back by %s to %s: %s", by, to, why)
	}
	return o
}
