package incidents

import (
	"time"

	"rearguard/alerts/conditions"
	"rearguard/alerts/harm"
	"rearguard/daemon/limits"
	"rearguard/daemon/snapshot"
)

// What counts as lethal in the model, beside heat, which has its thermal-death
// line. All are assumptions of this package: animals below their cold limit
// die of 72 degree-hours, of 12 kPa h of dryness above the limit, and of ten
// germination times of fungi.
const (
	lethalColdCh = 72.0
	lethalDryKPa = 12.0
	lethalSpores = 10.0
)

// bounds are the limits of the animals in a room, as their stages set them.
type bounds struct {
	heatC, chillC, dryKPa float64
	line                  harm.Line
}

func boundsOf(s *snapshot.Snapshot, r *room) bounds {
	b := bounds{heatC: 60, chillC: -60, dryKPa: 60}
	for _, v := range s.Rooms {
		if v.ID != r.id {
			continue
		}
		for _, l := range v.Limits {
			switch l.Condition {
			case conditions.Heat:
				b.heatC = l.Value
			case conditions.Chill:
				b.chillC = l.Value
			case conditions.Drying:
				b.dryKPa = l.Value
			}
		}
	}
	b.line = limits.AssumedHeatLine(b.heatC)
	return b
}

// injury is how much of the lethal dose the animals of a room have had; it is
// lethal at 1.
type injury struct {
	heat, cold, dry, damp float64
}

func (i *injury) add(b bounds, r *room, span time.Duration) {
	i.heat += b.line.PerMinute(r.AirC) * span.Minutes()
	i.cold += max(0, b.chillC-r.AirC) * span.Hours() / lethalColdCh
	i.dry += max(0, r.VPDkPa()-b.dryKPa) * span.Hours() / lethalDryKPa
	if hours, err := harm.GerminationHours(r.AirC, r.HumidityPercent()); err == nil {
		i.damp += span.Hours() / hours / lethalSpores
	}
}

func (i *injury) most() float64 { return max(i.heat, i.cold, i.dry, i.damp) }
