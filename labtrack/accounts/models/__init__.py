from labtrack.accounts.models.token import ApiToken
from labtrack.accounts.models.user import User

__all__ = ["ApiToken", "User"]
