"""What people read, in their own language: one catalogue of messages each, numbers and times as usual
there. The English text itself is the key; what a catalogue lacks is said in English.
"""

from service.language.speech import ENGLISH, Language, NoLanguage, english, languages, speak

__all__ = ["ENGLISH", "Language", "NoLanguage", "english", "languages", "speak"]
