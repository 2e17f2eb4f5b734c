"""The air from a logger's file: lines as loggers write them, each with what a person reads there."""

import pytest

from resonance.errors import ResonanceError
from resonance.taking.climate import last_climate


@pytest.mark.parametrize(
    ("text", "temperature", "humidity"),
    [
        ("Time,Temperature (°C),Humidity (%)\n1,19.0,40\n2,21.5,45\n", 21.5, 45.0),
        ("\ufeffZeit;Temperatur;Luftfeuchte\n20:00;21,4;45,5\n", 21.4, 45.5),
        ("Temperatur;Luftfeuchte\n21,4;45,5\n", 21.4, 45.5),  # more decimal commas than semicolons
        ("time\ttemp\tRH\n1\t-3.5\t80\n\n", -3.5, 80.0),
        ('"Logger 7"\n"No","Temp (°F)","RH (%)"\n"1","68.0","50"\n', 20.0, 50.0),  # 68 °F is 20 °C exactly
        ("time,temperature\n1,20.5\n", 20.5, None),
    ],
)
def test_the_last_line_is_read(text, temperature, humidity):
    air = last_climate(text)
    assert air.temperature_c == pytest.approx(temperature, abs=0.005)
    assert air.humidity_percent == (None if humidity is None else pytest.approx(humidity))


@pytest.mark.parametrize("text", ["", "1,21.5,45\n", "time,pressure\n1,1013\n"])
def test_a_file_without_heads_is_not_guessed_at(text):
    with pytest.raises(ResonanceError, match="no column called temperature"):
        last_climate(text, name="log.csv")


@pytest.mark.parametrize("row", ["1,,45", "1,error,45", "1,210,45", "1,21,145", "1,21,0"])
def test_a_last_line_that_makes_no_sense_is_refused(row):
    with pytest.raises(ResonanceError, match=r"the last line of log\.csv"):
        last_climate(f"time,temperature,humidity\n0,20,50\n{row}\n", name="log.csv")
