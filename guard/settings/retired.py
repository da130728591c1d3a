"""What became of settings that older files and logs hold. Pure."""

from collections.abc import Mapping

from guard.errors import SettingError

RETIRED: Mapping[str, str] = {
    "lead_s": "the guard itself knows how far to look ahead; strictness sets how early it speaks",
    "certainty": "strictness sets how early the guard speaks",
    "settle_s": "the guard says run on as soon as the next crossing is far off; leave it out",
    "resume_margin_bpm": "the guard says run on as soon as the next crossing is far off; leave it out",
    "repeat_s": "a cue comes again when heart rate contradicts it; words sets how many there are",
    "walk_after_s": "the guard says walk once easing no longer helps; walk_first sets which you prefer",
    "budget_per_h": "words sets how many cues there are",
    "restart_response_s": "the guard learns from each restart how your heart rate rises; leave it out",
}


class RetiredSetting(SettingError):
    """A key that was a setting once; the message says what became of it."""

    def __init__(self, key: str) -> None:
        super().__init__(f"{key} is no longer a setting: {RETIRED[key]}")
