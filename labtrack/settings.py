"""Settings: every knob is a ``LABTRACK_...`` environment variable, documented in docs/settings.md."""

from __future__ import annotations

import os
from pathlib import Path

from labtrack.environment import (
    data_folder,
    database_settings,
    flag,
    integer,
    rate,
    secret,
    value,
    words,
)

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = data_folder()

SECRET_KEY = secret("LABTRACK_SECRET_KEY", DATA_DIR)
AUDIT_SEAL_KEY = secret("LABTRACK_AUDIT_SEAL_KEY", DATA_DIR)
DEBUG = flag("LABTRACK_DEBUG", default=False)
ALLOWED_HOSTS = words("LABTRACK_HOSTS", default="localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = words("LABTRACK_ORIGINS", default="")
HTTPS = flag("LABTRACK_HTTPS", default=False)
if HTTPS:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_SSL_REDIRECT = True
    SECURE_HSTS_SECONDS = 31_536_000
# How many proxies of our own stand before the server and append to X-Forwarded-For.
TRUSTED_PROXIES = integer("LABTRACK_PROXIES", default=0, least=0)
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_AGE = integer("LABTRACK_SESSION_HOURS", default=12) * 3600
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CSRF_FAILURE_VIEW = "labtrack.problem_pages.csrf_failure"

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "rest_framework",
    "drf_spectacular",
    "django_htmx",
    "csp",
    "labtrack",
    "labtrack.accounts",
    "labtrack.audit",
    "labtrack.jobs",
    "cases",
    "production",
    "qa",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "labtrack.middleware.DomainErrorMiddleware",
]

ROOT_URLCONF = "labtrack.urls"
WSGI_APPLICATION = "labtrack.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "labtrack.shell.page_shell",
            ],
        },
    },
]

DATABASES = {"default": database_settings(DATA_DIR)}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "accounts.User"
AUTHENTICATION_BACKENDS = ["django.contrib.auth.backends.ModelBackend"]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 10},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "accounts:sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "accounts:sign-in"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = os.environ.get("LABTRACK_TIME_ZONE", "UTC")
USE_TZ = True
USE_I18N = True

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATIC_ROOT.mkdir(exist_ok=True, mode=0o755)
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "labtrack.staticfinders.PlotlyFinder",
]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}
WHITENOISE_USE_FINDERS = DEBUG

FILE_STORE = Path(os.environ.get("LABTRACK_FILES", str(DATA_DIR / "files")))
MESH_UPLOAD_LIMIT_BYTES = 200_000_000
PHOTO_UPLOAD_LIMIT_BYTES = 20_000_000
(FILE_STORE / "incoming").mkdir(parents=True, exist_ok=True, mode=0o700)
FILE_UPLOAD_TEMP_DIR = str(FILE_STORE / "incoming")
FILE_UPLOAD_HANDLERS = ["django.core.files.uploadhandler.TemporaryFileUploadHandler"]
DATA_UPLOAD_MAX_MEMORY_SIZE = 5_000_000

REDIS_URL = value("LABTRACK_REDIS_URL") or ""
if REDIS_URL:
    CACHES = {"default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}}
else:
    CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}

JOB_LEASE_S = integer("LABTRACK_JOB_LEASE_S", default=60)
JOB_SWEEP_S = integer("LABTRACK_JOB_SWEEP_S", default=15)
JOB_MEMORY_LIMIT_MB = integer("LABTRACK_JOB_MEMORY_MB", default=6_000)
JOB_TIME_LIMIT_S = integer("LABTRACK_JOB_TIME_S", default=600)

# How long a part has to fail before its outcome counts in the trends.
EVIDENCE_MATURE_DAYS = integer("LABTRACK_MATURE_DAYS", default=21)
# Whether pages and API compare people by name; off unless the lab has settled that it may.
COMPARE_PEOPLE = flag("LABTRACK_COMPARE_PEOPLE", default=False)

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["labtrack.accounts.api.authentication.TokenAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["labtrack.accounts.api.permissions.TokenScopePermission"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["labtrack.api.parsers.BoundedJsonParser"],
    "DEFAULT_PAGINATION_CLASS": "labtrack.api.pagination.PagePagination",
    "DEFAULT_SCHEMA_CLASS": "labtrack.api.auto_schema.AutoSchema",
    "DEFAULT_THROTTLE_CLASSES": ["labtrack.api.throttling.TokenRateThrottle"],
    "DEFAULT_THROTTLE_RATES": {"token": rate("LABTRACK_API_RATE", default="600/min")},
    "EXCEPTION_HANDLER": "labtrack.api.problems.problem_response",
    "UNAUTHENTICATED_USER": None,
    "NUM_PROXIES": TRUSTED_PROXIES,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Fitledger API",
    "VERSION": "1",
    "DESCRIPTION": "What scripts beside the scanner and the printer can read and record.",
    "SERVE_INCLUDE_SCHEMA": False,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "ENUM_NAME_OVERRIDES": {
        "WorkStepEnum": "qa.api.serializers.STEP_CHOICES",
        "DefectOriginEnum": "production.choices.Step",
        "MeshOriginEnum": "cases.choices.MeshOrigin",
        "MeshUnitEnum": "cases.choices.Unit",
        "EvidenceUnitEnum": "qa.choices.EvidenceUnit",
        "CheckStateEnum": "qa.choices.CheckState",
        "ApplianceKindEnum": "cases.choices.ApplianceKind",
        "EquipmentKindEnum": "production.choices.EquipmentKind",
        "EquipmentEventEnum": "production.choices.EventKind",
        "VerdictEnum": "qa.choices.Verdict",
    },
    "ENUM_GENERATE_CHOICE_DESCRIPTION": False,
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "labtrack.api.schema.add_problems",
    ],
}

# The sum of nothing: lets a library add an empty style element and fill it by rule, never inline text.
EMPTY_STYLE = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        "style-src": ["'self'", EMPTY_STYLE],
        # The three style attributes that plotly writes: none, bold text, and sharp cells of a heat map.
        "style-src-attr": [
            "'unsafe-hashes'",
            EMPTY_STYLE,
            "'sha256-wkY2X5hecQzbhnFCqvTpwrUJ1f4X8LH5WFjYUzv1wmU='",
            "'sha256-AR/cKIZjWPcPmBUPDA6oti9XBiTbJvz0Cro2J1VzzS8='",
        ],
        "img-src": ["'self'", "data:", "blob:"],
        "font-src": ["'self'"],
        "connect-src": ["'self'"],
        "form-action": ["'self'"],
        "frame-ancestors": ["'none'"],
        "base-uri": ["'none'"],
    }
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name} {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": os.environ.get("LABTRACK_LOG_LEVEL", "WARNING")},
}
