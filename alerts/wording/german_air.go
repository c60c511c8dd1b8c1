package wording

// germanTitles are the titles of conditions, and the names of stages and events.
func germanTitles() map[string]string {
	return map[string]string{
		"too hot":                         "zu heiß",
		"too cold":                        "zu kalt",
		"air too dry for too long":        "Luft zu lange zu trocken",
		"air damp for too long":           "Luft zu lange zu feucht",
		"heading for too hot":             "wird bald zu heiß",
		"heading for too cold":            "wird bald zu kalt",
		"heat is killing animals":         "Hitze tötet Tiere",
		"day swing too large":             "zu großer Unterschied von Tag und Nacht",
		"temperature changing fast":       "Temperatur ändert sich schnell",
		"water condensing":                "Wasser schlägt sich nieder",
		"damp enough for fungal disease":  "feucht genug für Schimmel und Pilzkrankheit",
		"cohort overdue":                  "Zuchtgruppe überfällig",
		"development stands still":        "Entwicklung steht still",
		"cohort not watched":              "Zuchtgruppe wird nicht überwacht",
		"species no longer configured":    "Art fehlt in facility.yaml",
		"humidifier seems empty":          "Luftbefeuchter scheint leer",
		"heater stuck on or strong sun":   "Heizung hängt oder starke Sonne",
		"heating off or too weak":         "Heizung aus oder zu schwach",
		"door, vent or window open":       "Tür, Klappe oder Fenster offen",
		"power seems lost":                "Strom scheint ausgefallen",
		"power lost in several rooms?":    "Strom in mehreren Räumen ausgefallen?",
		"sensor silent":                   "Sensor meldet sich nicht",
		"sensor not to be believed":       "Sensor nicht glaubwürdig",
		"room not watched":                "Raum wird nicht überwacht",
		"no sensor messages at all":       "keine Messwerte von irgendeinem Sensor",
		"broker certificate about to end": "Zertifikat des Brokers läuft bald ab",
		"records cannot be written":       "Aufzeichnungen lassen sich nicht schreiben",
		"records not those of last time":  "Aufzeichnungen sind nicht die vom letzten Mal",
		"records cannot all be read":      "Aufzeichnungen nicht vollständig lesbar",
		"notices do not get out":          "Nachrichten kommen nicht an",
		"no proof that notices arrive":    "ungewiss, ob Nachrichten ankommen",
		"another site is silent":          "ein anderer Standort meldet sich nicht",
		"clock is wrong":                  "Uhr geht falsch",
		"clock was moved":                 "Uhr wurde verstellt",

		"egg": "Ei", "prepupa": "Vorpuppe", "pupa": "Puppe", "adult": "Imago",
		"instar 1": "1. Larvenstadium", "instar 2": "2. Larvenstadium", "instar 3": "3. Larvenstadium", "instar 4": "4. Larvenstadium",
		"instar 5": "5. Larvenstadium", "instar 6": "6. Larvenstadium", "instar 7": "7. Larvenstadium", "instar 8": "8. Larvenstadium",
		"instar 9": "9. Larvenstadium", "instar 10": "10. Larvenstadium", "instar 11": "11. Larvenstadium", "instar 12": "12. Larvenstadium",
		"laying": "Eiablage", "hatching": "Schlüpfen aus dem Ei", "moult": "Häutung", "pupation": "Verpuppung",
		"eclosion": "Schlüpfen aus der Puppe", "wing hardening": "Aushärten der Flügel",
	}
}

// germanAdvice is cause, consequence and first action of what is about the air
// and the animals.
func germanAdvice() map[string]string {
	return map[string]string{
		"Heater stuck on, cooling or ventilation stopped, sun on the room, or a lamp too close.":                       "Heizung hängt, Kühlung oder Lüftung steht, Sonne auf dem Raum oder eine Lampe zu nah.",
		"Animals are injured by the hour and die; eggs and pupae cannot move away.":                                    "Die Tiere nehmen mit jeder Stunde Schaden und sterben; Eier und Puppen können nicht ausweichen.",
		"Switch the heater off at its isolator and open the door. If it stays hot, move the cohorts to a cooler room.": "Heizung am Hauptschalter ausschalten und die Tür öffnen. Bleibt es heiß, die Zuchtgruppen in einen kühleren Raum bringen.",

		"Heating off or too weak, door or vent left open, or the power is out.":                                                 "Heizung aus oder zu schwach, Tür oder Klappe offen gelassen oder der Strom ist weg.",
		"Feeding and development stop; tropical species are injured if it lasts.":                                               "Fressen und Entwicklung hören auf; tropische Arten nehmen Schaden, wenn es anhält.",
		"Close the door and vents, check that the heater has power and runs. If not, bring a spare heater or move the cohorts.": "Tür und Klappen schließen, prüfen, ob die Heizung Strom hat und läuft. Wenn nicht, eine Ersatzheizung holen oder die Zuchtgruppen umstellen.",

		"Humidifier empty or off, heating without moisture, or a vent or door open.":                                                "Luftbefeuchter leer oder aus, Heizen ohne Befeuchten oder eine Klappe oder Tür offen.",
		"Eggs shrivel, moults stick and wings do not expand.":                                                                       "Eier schrumpfen ein, Häutungen bleiben stecken und Flügel entfalten sich nicht.",
		"Check the humidifier's water and power. Until it runs, hang wet cloths and close the vents; keep water away from sockets.": "Wasser und Strom des Luftbefeuchters prüfen. Bis er läuft, nasse Tücher aufhängen und Klappen schließen; Wasser von Steckdosen fernhalten.",

		"Humidifier stuck on, no ventilation, a leak, or wet food and droppings.":                                        "Luftbefeuchter hängt, keine Lüftung, ein Leck oder nasses Futter und Kot.",
		"Mould and fungal disease start within a day and spread through the cohort.":                                     "Schimmel und Pilzkrankheiten beginnen binnen eines Tages und breiten sich in der Zuchtgruppe aus.",
		"Switch the humidifier off and ventilate. Take out wet droppings and mouldy food; wear a mask if you see mould.": "Luftbefeuchter ausschalten und lüften. Nassen Kot und verschimmeltes Futter entfernen; bei sichtbarem Schimmel eine Maske tragen.",

		"Heater stuck on, ventilation stopped, or sun on the room: it has been warming steadily.": "Heizung hängt, Lüftung steht oder Sonne auf dem Raum: Er wird stetig wärmer.",
		"The heat limit will be passed soon if nothing changes.":                                  "Die Hitzegrenze ist bald überschritten, wenn sich nichts ändert.",
		"Check heater and ventilation now; open the door if the corridor is cooler.":              "Jetzt Heizung und Lüftung prüfen; die Tür öffnen, wenn es im Flur kühler ist.",

		"Heating off or too weak, or a door or vent open: the room has been cooling steadily.": "Heizung aus oder zu schwach oder eine Tür oder Klappe offen: Der Raum wird stetig kälter.",
		"The cold limit will be passed soon if nothing changes.":                               "Die Kältegrenze ist bald unterschritten, wenn sich nichts ändert.",
		"Close door and vents and check that the heater has power.":                            "Tür und Klappen schließen und prüfen, ob die Heizung Strom hat.",

		"The warmest place has been hot for long enough that injury adds up.":             "Am wärmsten Platz ist es so lange heiß, dass sich der Schaden summiert.",
		"The cohort dies when the lethal dose is complete; part of it dies earlier.":      "Die Zuchtgruppe stirbt, wenn die tödliche Dosis erreicht ist; ein Teil stirbt früher.",
		"Move the cohort to a cooler room now. Then switch the heater off and ventilate.": "Die Zuchtgruppe jetzt in einen kühleren Raum bringen. Dann die Heizung ausschalten und lüften.",

		"Day and night set points too far apart, sun by day, or heating too weak at night.":           "Sollwerte für Tag und Nacht liegen zu weit auseinander, Sonne am Tag oder zu schwache Heizung in der Nacht.",
		"Development slows and forecasts drift; condensation is likely in the cold hours.":            "Die Entwicklung wird langsamer, Vorhersagen werden ungenau; in den kalten Stunden droht Kondenswasser.",
		"In the morning, compare the set points with the room's curve and shade or insulate.":         "Am Morgen die Sollwerte mit der Kurve des Raums vergleichen und beschatten oder dämmen.",
		"Door or vent left open, heater or cooler stuck on, or the sensor was moved.":                 "Tür oder Klappe offen gelassen, Heizung oder Kühlung hängt oder der Sensor wurde umgesetzt.",
		"Moulting and hatching animals are harmed by the jump; a limit may be passed within minutes.": "Der Sprung schadet Tieren, die sich häuten oder schlüpfen; eine Grenze kann binnen Minuten erreicht sein.",
		"Look into the room: door, vents, heater. If the sensor was moved, put it back.":              "In den Raum sehen: Tür, Klappen, Heizung. Wurde der Sensor umgesetzt, ihn zurückstellen.",

		"The coldest wall or window is colder than the dew point of the air.":                           "Die kälteste Wand oder das kälteste Fenster liegt unter dem Taupunkt der Luft.",
		"Small larvae drown in drops, and mould starts on wet surfaces.":                                "Kleine Larven ertrinken in Tropfen, und auf nassen Flächen beginnt Schimmel.",
		"Ventilate or lower the humidity; wipe cages and lids. Keep drips away from sockets and lamps.": "Lüften oder die Luftfeuchte senken; Käfige und Deckel abwischen. Tropfwasser von Steckdosen und Lampen fernhalten.",

		"Air stays above 90 % humidity between 15 and 35 °C: too little ventilation, too much mist or wet food.": "Die Luftfeuchte bleibt über 90 % bei 15 bis 35 °C: zu wenig Lüftung, zu viel Nebel oder nasses Futter.",
		"Spores germinate on the animals; a fungal disease can take a whole cohort.":                             "Sporen keimen auf den Tieren; eine Pilzkrankheit kann eine ganze Zuchtgruppe kosten.",
		"Ventilate to below 85 % humidity and remove wet food, droppings and dead animals; wear a mask.":         "Lüften, bis die Luftfeuchte unter 85 % liegt, und nasses Futter, Kot und tote Tiere entfernen; eine Maske tragen.",

		"Development slower than forecast: colder places than the sensors, disease, poor food, or no count entered.":    "Entwicklung langsamer als vorhergesagt: kältere Plätze als an den Sensoren, Krankheit, schlechtes Futter oder keine Zählung eingetragen.",
		"Animals may be stuck or dead unnoticed, and the plan for the coming weeks is wrong.":                           "Tiere können unbemerkt feststecken oder tot sein, und der Plan für die nächsten Wochen stimmt nicht.",
		"Look at the cohort and enter a count. If nothing has moved, check the temperature at the cages.":               "Die Zuchtgruppe ansehen und eine Zählung eintragen. Hat sich nichts getan, die Temperatur an den Käfigen prüfen.",
		"The room is at or below the temperature at which the stage develops.":                                          "Der Raum liegt an oder unter der Temperatur, bei der sich das Stadium entwickelt.",
		"The stage does not end; animals weaken with time.":                                                             "Das Stadium endet nicht; die Tiere werden mit der Zeit schwächer.",
		"Raise the room's set point or move the cohort, unless it is meant to rest (diapause): then shelve this alarm.": "Den Sollwert des Raums erhöhen oder die Zuchtgruppe umstellen, außer sie soll ruhen (Diapause): dann diesen Alarm zurückstellen.",

		"facility.yaml was changed: the room the cohort stands in, or its species, is no longer in it.":                                                       "facility.yaml wurde geändert: Der Raum, in dem die Zuchtgruppe steht, oder ihre Art fehlt darin.",
		"Heat, cold or dryness would raise no alarm for this cohort, and its development is not followed.":                                                    "Hitze, Kälte oder Trockenheit lösen für diese Zuchtgruppe keinen Alarm aus, und ihre Entwicklung wird nicht verfolgt.",
		"Move the cohort on its page to the room it stands in, or put the entry back into facility.yaml and reload. Read a thermometer beside it until then.": "Die Zuchtgruppe auf ihrer Seite in den Raum umtragen, in dem sie steht, oder den Eintrag in facility.yaml wiederherstellen und neu laden. Bis dahin ein Thermometer daneben ablesen.",
		"facility.yaml was changed: the species of a living cohort, or a stage that its counts name, is no longer in it.":                                     "facility.yaml wurde geändert: Die Art einer lebenden Zuchtgruppe oder ein Stadium aus ihren Zählungen fehlt darin.",
		"The cohort is watched by the constants that were in force last. No further cohort of the species can be entered.":                                    "Die Zuchtgruppe wird nach den zuletzt gültigen Konstanten überwacht. Weitere Zuchtgruppen der Art lassen sich nicht eintragen.",
		"Put the entry of the species back into facility.yaml and reload, or close the cohort when it is done.":                                               "Den Eintrag der Art in facility.yaml wiederherstellen und neu laden, oder die Zuchtgruppe abschließen, wenn sie fertig ist.",
	}
}

// germanCauses is the same of what is about the plant of a room.
func germanCauses() map[string]string {
	return map[string]string{
		"Moisture is falling while the temperature is steady: the humidifier is empty, off or blocked.":              "Die Feuchte sinkt bei gleicher Temperatur: Der Luftbefeuchter ist leer, aus oder verstopft.",
		"The air becomes too dry: eggs shrivel, moults stick and wings do not expand.":                               "Die Luft wird zu trocken: Eier schrumpfen ein, Häutungen bleiben stecken und Flügel entfalten sich nicht.",
		"Fill the humidifier and see that it mists. If it is broken, hang wet cloths; keep water away from sockets.": "Den Luftbefeuchter füllen und sehen, ob er nebelt. Ist er kaputt, nasse Tücher aufhängen; Wasser von Steckdosen fernhalten.",

		"The room warms beyond its usual range: thermostat or relay stuck, or sun or a lamp on it with the vent shut.": "Der Raum wird wärmer als üblich: Thermostat oder Relais hängt, oder Sonne oder eine Lampe bei geschlossener Klappe.",
		"The room goes on warming until animals are injured.":                                                          "Der Raum wird weiter wärmer, bis Tiere Schaden nehmen.",
		"Switch the heater off at its isolator and open the door. Do not open the heater.":                             "Heizung am Hauptschalter ausschalten und die Tür öffnen. Die Heizung selbst nicht öffnen.",

		"The room cools while moisture stays: heater off, without power, or too weak for the cold outside.":                        "Der Raum kühlt aus, die Feuchte bleibt: Heizung aus, ohne Strom oder zu schwach für die Kälte draußen.",
		"Development slows and stops; tropical species are injured if it lasts.":                                                   "Die Entwicklung wird langsamer und hört auf; tropische Arten nehmen Schaden, wenn es anhält.",
		"See whether the room has light and the heater is warm. If not, check breaker, fuse and thermostat; bring a spare heater.": "Nachsehen, ob der Raum Licht hat und die Heizung warm ist. Wenn nicht, Sicherung und Thermostat prüfen; eine Ersatzheizung holen.",

		"The air changed faster than a closed room can, and has not come back: outside air is coming in.": "Die Luft hat sich schneller geändert, als es ein geschlossener Raum kann, und ist so geblieben: Außenluft strömt ein.",
		"The room goes on losing warmth and moisture.":                                                    "Der Raum verliert weiter Wärme und Feuchte.",
		"Go and close door, vent and windows, then watch that the room recovers.":                         "Hingehen und Tür, Klappe und Fenster schließen, dann sehen, ob sich der Raum erholt.",

		"Temperature and moisture fall together: heater and humidifier have both stopped.":                 "Temperatur und Feuchte sinken zusammen: Heizung und Luftbefeuchter stehen beide.",
		"The room cools and dries until it is as cold and dry as outside.":                                 "Der Raum wird kälter und trockener, bis er so kalt und trocken ist wie draußen.",
		"Check the lights in the room, then the breaker. A breaker that trips again needs an electrician.": "Licht im Raum prüfen, dann die Sicherung. Fällt sie wieder, ist eine Elektrofachkraft nötig.",

		"Several rooms began to cool, dry or fall silent together: mains, main breaker or a shared gateway.":                     "Mehrere Räume wurden zugleich kälter, trockener oder stumm: Stromnetz, Hauptsicherung oder ein gemeinsames Gateway.",
		"All rooms cool and dry at once; batteries of gateways run out.":                                                         "Alle Räume werden zugleich kälter und trockener; die Batterien der Gateways gehen leer.",
		"Check the lights, then the main breaker. If it trips again, call an electrician. Move the most delicate cohorts first.": "Licht prüfen, dann die Hauptsicherung. Fällt sie wieder, eine Elektrofachkraft rufen. Die empfindlichsten Zuchtgruppen zuerst umstellen.",
	}
}
