package wording

// germanDetails is what observations say.
func germanDetails() map[string]string {
	return map[string]string{
		"not known now: %s":     "jetzt nicht bekannt: %s",
		"%s; not known now: %s": "%s; jetzt nicht bekannt: %s",
		"%s, since %s":          "%s, seit %s",
		"since %s: %s":          "seit %s: %s",
		"%s, until %s":          "%s, bis %s",

		"no cohort in the room":                                     "keine Zuchtgruppe im Raum",
		"%s; limit set by %s":                                       "%s; Grenze von %s",
		"%s; limit set by %s (assumed)":                             "%s; Grenze von %s (angenommen)",
		"%s to %s within 24 h":                                      "%s bis %s binnen 24 h",
		"changing by %s, now %s":                                    "Änderung %s, jetzt %s",
		"reaches %s in about %s min (%s to %s), changing by %s; %s": "erreicht %s in etwa %s min (%s bis %s), Änderung %s; %s",
		"never": "nie",

		"%s humidity at %s, %s": "%s Luftfeuchte bei %s, %s",
		"%s, since %s (%s)":     "%s, seit %s (%s)",
		"%s, since %s (%s, %s of it without data and not counted)": "%s, seit %s (%s, davon %s ohne Daten und nicht gezählt)",
		"%s counted so far":        "bisher %s gezählt",
		"not counted since %s, %s": "seit %s nicht gezählt, %s",

		"mould index %s of 100 so far": "Schimmelindex bisher %s von 100",
		"mould index %s of 100; %s at %s humidity and %s; if it stays so, spores germinate in about %s": "Schimmelindex %s von 100; %s bei %s Luftfeuchte und %s; bleibt es so, keimen Sporen in etwa %s",
		"no cold surface is given for the room":                                                         "für den Raum ist keine kalte Fläche angegeben",
		"measured":                                                                                      "gemessen",
		"assumed %s below the air":                                                                      "angenommen %s kälter als die Luft",
		"dew point %s, coldest surface %s (%s)":                                                         "Taupunkt %s, kälteste Fläche %s (%s)",

		"%s of the lethal heat dose, cohort %s in %s at %s, %s":           "%s der tödlichen Hitzedosis, Zuchtgruppe %s (%s) bei %s, %s",
		"%s of the lethal heat dose so far, cohort %s in %s":              "bisher %s der tödlichen Hitzedosis, Zuchtgruppe %s (%s)",
		"%s; heat tolerance assumed":                                      "%s; Hitzefestigkeit angenommen",
		"lethal dose reached":                                             "tödliche Dosis erreicht",
		"about %s to lethal injury":                                       "etwa %s bis zum tödlichen Schaden",
		"days to lethal injury at this temperature":                       "Tage bis zum tödlichen Schaden bei dieser Temperatur",
		"no thermal-death-time line is known for the cohorts in the room": "für die Zuchtgruppen im Raum ist nicht bekannt, wie viel Hitze tödlich ist",

		"no believable temperature":                                   "keine glaubwürdige Temperatur",
		"no believable temperature since %s":                          "keine glaubwürdige Temperatur seit %s",
		"%s; last heard %s %s at %s":                                  "%s; zuletzt meldete %s %s (%s)",
		"%s; last heard %s at %s":                                     "%s; zuletzt meldete sich %s (%s)",
		"last heard %s at %s":                                         "zuletzt %s (%s)",
		"last heard at %s":                                            "zuletzt gehört %s",
		"%s, gone since %s as the broker says":                        "%s, laut Broker weg seit %s",
		"%s, reporting interval not known yet":                        "%s, wie oft er meldet, ist noch nicht bekannt",
		"%s, never heard":                                             "%s, nie gehört",
		"%s: its %s":                                                  "%s: %s",
		"%s, now %s":                                                  "%s, jetzt %s",
		"waiting for its first report":                                "wartet auf die erste Meldung",
		"waiting for the sensors' first reports":                      "wartet auf die ersten Meldungen der Sensoren",
		"waiting for the first reports out of the rooms":              "wartet auf die ersten Meldungen aus den Räumen",
		"%s says %s and %s %s; they used to agree within %s":          "%s misst %s und %s %s; bisher lagen sie höchstens %s auseinander",
		"has said nothing":                                            "schweigt",
		"has said nothing that can be believed":                       "meldet nichts Glaubwürdiges",
		"the sensor that measured it, %s, %s since %s; last value %s": "der Sensor, der es gemessen hat, %s, %s seit %s; letzter Wert %s",
		"without the broker nothing is heard of the rooms":            "ohne den Broker kommt aus den Räumen nichts an",
	}
}

// germanEvidence is what observations say of causes, cohorts and rearguard itself.
func germanEvidence() map[string]string {
	return map[string]string{
		"the change has only begun":                                      "die Änderung hat erst begonnen",
		"too few readings to see a shape":                                "zu wenige Messwerte für ein Muster",
		"the sensors of the room differ by %s, one of them may be wrong": "die Sensoren des Raums liegen %s auseinander, einer davon kann falsch sein",
		"temperature %s, and without humidity a cause cannot be told":    "Temperatur %s, und ohne Luftfeuchte ist keine Ursache zu erkennen",
		"temperature %s and moisture %s within minutes":                  "Temperatur %s und Feuchte %s binnen Minuten",
		"temperature %s, moisture %s":                                    "Temperatur %s, Feuchte %s",
		"%s; heater or mains":                                            "%s; Heizung oder Stromnetz",
		"%s; it is %s outdoors, heater or weather":                       "%s; draußen sind es %s, Heizung oder Wetter",
		"%s, faster than a closed room can dry":                          "%s, schneller, als ein geschlossener Raum trocknen kann",
		"%s, on its way back":                                            "%s, auf dem Weg zurück",
		"%s, humidity %s is below the %s held before":                    "%s, Luftfeuchte %s liegt unter den bisherigen %s",
		"%s; the power may be gone as well":                              "%s; auch der Strom kann weg sein",
		"%s; %s: %s":                                                     "%s; %s: %s",
		"%s; cause cannot be told: %s":                                   "%s; Ursache nicht zu erkennen: %s",

		"cohort %s in %s: %s expected about %s, at the latest %s, and none counted":                                       "Zuchtgruppe %s (%s): %s erwartet etwa %s, spätestens %s, und noch nichts gezählt",
		"%s (forecast from assumed constants)":                                                                            "%s (Vorhersage aus angenommenen Konstanten)",
		"without a temperature of the room nobody can tell if it develops":                                                "ohne Temperatur des Raums ist nicht zu sagen, ob sie sich entwickelt",
		"cohort %s in %s has not developed since %s":                                                                      "Zuchtgruppe %s (%s) entwickelt sich nicht seit %s",
		"%s, %s without data not counted":                                                                                 "%s, %s ohne Daten nicht gezählt",
		"cohort %s stands in room %s, which is gone: move it or restore the room":                                         "Zuchtgruppe %s steht im Raum %s, den es nicht mehr gibt: sie umstellen oder den Raum wiederherstellen",
		"cohort %s is of species %s, which nobody knows any more: put its entry back":                                     "Zuchtgruppe %s ist von der Art %s, die niemand mehr kennt: ihren Eintrag wiederherstellen",
		"cohort %s is of species %s, which is gone: it goes by the constants that were in force last; put the entry back": "Zuchtgruppe %s ist von der Art %s, die fehlt: Es gelten die zuletzt gültigen Konstanten; den Eintrag wiederherstellen",
		"the room is no longer configured":                                                                                "der Raum ist nicht mehr konfiguriert",
		"the sensor is no longer in this room":                                                                            "der Sensor ist nicht mehr in diesem Raum",
		"the cohort is closed":                                                                                            "die Zuchtgruppe ist abgeschlossen",
		"the cohort is no longer in this room":                                                                            "die Zuchtgruppe ist nicht mehr in diesem Raum",

		"%s has not been heard of since %s":                      "von %s ist seit %s nichts zu hören",
		"%s waiting, oldest since %s":                            "%s warten, die älteste seit %s",
		"the clock of this machine is not believed since %s: %s": "der Uhr dieses Rechners wird nicht geglaubt seit %s: %s",
		"this machine is %s ahead":                               "dieser Rechner geht %s vor",
		"this machine is %s behind":                              "dieser Rechner geht %s nach",
		"moved forward by %s to %s: %s":                          "um %s vorgestellt auf %s: %s",
		"moved back by %s to %s: %s":                             "um %s zurückgestellt auf %s: %s",
	}
}
